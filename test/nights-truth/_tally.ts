import { appendFileSync, writeFileSync } from 'node:fs';
import { serialize } from 'node:v8';
import type { JudgedRun } from '../verdicts/_from-tables.js';

/** How many nights to take: all, or as many as NIGHTCAIRN_NIGHTS says. */
export const count = (all: number): number => Math.min(all, Number(process.env.NIGHTCAIRN_NIGHTS ?? all));

/** Verdicts of one run against its truth; frames on a limit count for neither side. */
export interface Tally {
  readonly name: string;
  readonly frames: number;
  readonly fair: number;
  readonly right: number;
  readonly doubts: number;
  readonly doubtsFound: number;
  readonly clear: number;
  readonly clearDropped: number;
  readonly wrong: readonly string[];
  /** Frames between the truth's onset of dew and the one said; undefined without dew, NaN when it was not found. */
  readonly dewOff?: number;
  /** Dew said where there is none. */
  readonly falseDew: boolean;
}

/**
 * Counts a run.
 *
 * @param leave true for frames that this way of judging cannot be fair to
 */
export function toldOf(run: JudgedRun, leave: (reasons: readonly string[]) => boolean = () => false): Tally {
  const rows = run.lights.map(({ truth }, i) => ({ truth, found: run.judgement.frames[i]!, i }));
  const fair = rows.filter(
    ({ truth, i }) => !truth.borderline && !leave(truth.reasons) && !unseenLights(run, i),
  );
  const wrong = fair.filter(({ truth, found }) => found.verdict !== truth.verdict);
  const doubts = fair.filter(({ truth }) => truth.verdict === 'doubt');
  const clear = fair.filter(({ truth }) => truth.verdict === 'keep');
  const dewy = run.lights.some(({ shot }) => shot.dew);
  const onset = run.lights.findIndex(
    ({ shot, truth }) => shot.dew && (truth.fwhmRatio > 1.05 || truth.transparency < 0.97),
  );
  const said = run.judgement.frames.findIndex((frame) => frame.remarks.some((text) => text.includes('dew')));
  return {
    name: run.night.scenario.name,
    frames: rows.length,
    fair: fair.length,
    right: fair.length - wrong.length,
    doubts: doubts.length,
    doubtsFound: doubts.filter(({ found }) => found.verdict === 'doubt').length,
    clear: clear.length,
    clearDropped: clear.filter(({ found }) => found.verdict === 'drop').length,
    wrong: wrong.map(
      ({ truth, found, i }) =>
        `${i}: ${truth.verdict} [${truth.reasons}] but ${found.verdict} [${found.reasons.map((r) => `${r.code} ${r.value} against ${r.limit}`)}]`,
    ),
    falseDew: said >= 0 && !dewy,
    ...(dewy && onset >= 0 ? { dewOff: said < 0 ? Number.NaN : Math.abs(said - onset) } : {}),
  };
}

/** Headlights that fall on less than 2 % of the picture: nobody could tell. */
function unseenLights(run: JudgedRun, i: number): boolean {
  const light = run.lights[i]!;
  if (light.shot.headlights === undefined || light.shot.glare !== undefined) return false;
  const { data } = light.landMask();
  return data.reduce((sum, land) => sum + land, 0) < 0.02 * data.length;
}

/** Adds up runs. */
export function tally(runs: readonly Tally[]) {
  const sum = (of: (run: Tally) => number) => runs.reduce((total, run) => total + of(run), 0);
  const fair = sum((run) => run.fair);
  const dew = runs.flatMap((run) => (run.dewOff === undefined ? [] : [run.dewOff]));
  const all = {
    rightShare: sum((run) => run.right) / fair,
    doubtRecall: sum((run) => run.doubtsFound) / sum((run) => run.doubts),
    clearDropped: sum((run) => run.clearDropped),
    dew,
    falseDew: runs.filter((run) => run.falseDew).map((run) => run.name),
  };
  const text = [
    `${sum((run) => run.frames)} frames of ${runs.length} nights, ${fair} off the limits: ${sum((run) => run.right)} right (${(100 * all.rightShare).toFixed(1)} %), ${all.clearDropped} of ${sum((run) => run.clear)} clear frames dropped, ${sum((run) => run.doubtsFound)} of ${sum((run) => run.doubts)} doubts found, dew off by [${dew}] frames, dew said wrongly in [${all.falseDew}]`,
    ...runs.filter((run) => run.wrong.length > 0).map((run) => `  ${run.name}: ${run.wrong.join('; ')}`),
  ].join('\n');
  return { ...all, text };
}

/** Every number of a run beside its truth, to the file that NIGHTCAIRN_TOLD names; what the judge saw, to the folder NIGHTCAIRN_KEEP. */
export function tell(run: JudgedRun): void {
  const keep = process.env.NIGHTCAIRN_KEEP;
  if (keep) {
    const lights = run.lights.map(({ truth, shot }) => ({ truth, shot }));
    const { scenario } = run.night;
    writeFileSync(`${keep}/${scenario.name}.bin`, serialize({ scenario, lights, input: run.input }));
  }
  const path = process.env.NIGHTCAIRN_TOLD;
  if (!path) return;
  const n = (value: number | undefined, digits = 2) => (value ?? Number.NaN).toFixed(digits);
  const { scenario } = run.night;
  const lines = run.judgement.frames.map((f, i) => {
    const { truth } = run.lights[i]!;
    const sign = f.verdict === truth.verdict ? ' ' : truth.borderline ? '~' : 'X';
    const reasons = f.reasons.map((r) => `${r.code} ${r.value}>${r.limit}`);
    return `${sign} ${i} ${truth.verdict}/${f.verdict} light ${n(truth.transparency, 3)}/${n(f.transparency, 3)} width ${n(truth.fwhmRatio)}/${n(f.fwhmRatio)} across ${n(f.fwhmMinorRatio)} extra ${n(truth.extraTrail, 1)}/${n(f.extraTrail, 1)} sky ${n(truth.trailLength, 1)}/${n(f.predictedTrail, 1)} levels ${n(run.input.frames[i]!.measurement?.background, 1)} ${n(run.input.frames[i]!.measurement?.landLevel, 1)} [${truth.reasons}] [${reasons}] ${run.alignment.frames[i]!.status}`;
  });
  const head = `## ${scenario.name} ${scenario.lens.focalLengthMm} mm, latitude ${scenario.site.latitude}, land ${scenario.land.kind}; ${run.alignment.trackCount} tracks; ${run.judgement.remarks.join(' ')}`;
  appendFileSync(path, `${[head, ...lines].join('\n')}\n`);
}
