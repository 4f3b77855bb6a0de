import type { Plan, PlanCamera } from './plan.js';
import type { PlanFacts } from './plan-facts-types.js';

/** What was assumed and what stands against the plan, in plain sentences. */
export function notesOf(
  plan: Plan,
  facts: Omit<PlanFacts, 'notes' | 'suggestions'>,
  camera: PlanCamera,
): string[] {
  const notes: string[] = [];
  const { shutter } = facts;
  if (camera.cropIsAssumed && plan.focalLengthMm !== undefined) {
    notes.push(
      'The sensor size is not known, so a 36 x 24 mm sensor is assumed for the 500 rule and the corners.',
    );
  }
  if (plan.focalLengthMm === undefined || camera.pixelPitchUm === undefined) {
    notes.push('Trails in px need the focal length and the pixel pitch.');
  } else if (plan.fNumber === undefined) {
    notes.push('The NPF rules need the aperture.');
  }
  if (shutter.trailAtPlanned !== undefined && shutter.trailAtPlanned > shutter.tolerance) {
    const limit = shutter.longestForTolerance;
    notes.push(
      `At ${plan.shutter} s stars trail ${shutter.trailAtPlanned.toFixed(1)} px, more than the ${shutter.tolerance} px accepted` +
        (limit === undefined ? '.' : `; ${limit.toFixed(1)} s would hold it.`),
    );
  }
  if (
    shutter.realShutter !== undefined &&
    plan.shutter !== undefined &&
    Math.abs(shutter.realShutter / plan.shutter - 1) > 0.02
  ) {
    notes.push(
      `Many bodies expose ${Number(shutter.realShutter.toFixed(1))} s when set to ${plan.shutter} s.`,
    );
  }
  if (facts.darkness.state !== 'crosses' || facts.darkness.hours < 1) notes.push(facts.darkness.text);
  if (facts.target.state === 'never-up') {
    notes.push(`The ${facts.target.name} does not rise at this latitude.`);
  }
  if (facts.window.start === undefined) notes.push(facts.window.text);
  const { run } = facts;
  if (run?.frames !== undefined && run.framesInWindow > 0 && run.frames > run.framesInWindow) {
    notes.push(`The window holds ${run.framesInWindow} frames, fewer than the ${run.frames} wanted.`);
  }
  if (run?.duration !== undefined && run.duration > 1800) {
    notes.push(
      `The run keeps the shutter busy for ${(run.duration / 3600).toFixed(1)} h: bring a spare battery and keep it warm.`,
    );
  }
  if (run?.commonSky !== undefined && run.commonSky < 0.7) {
    notes.push(
      `The sky turns ${run.skyTurn!.toFixed(1)} deg during the run; ${Math.round(run.commonSky * 100)} % of the frame is left after cropping to common sky.`,
    );
  }
  return notes;
}
