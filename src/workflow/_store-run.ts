import type { Alignment } from '../alignment/index.js';
import {
  type FrameRecord,
  type Library,
  saveAlignment,
  saveMeasurements,
  savePointing,
} from '../library/index.js';
import type { RunJudgement } from '../verdicts/index.js';
import { askedOf, type RunWork } from './_measure-work.js';
import { middleOfPicture } from './_sky-middle.js';
import type { SkyPointing } from './_sky-pointing.js';
import { withoutUnknown } from './_unknown.js';
import type { MeasureResult } from './measure-worker.js';

const EMPTY_MEASURE = { starCount: 0 } as const;

export const UNREADABLE = {
  code: 'unreadable',
  text: 'The picture could not be read from the file.',
} as const;

export function saveVerdicts(
  library: Library,
  all: readonly { id: string; verdict: 'drop'; reasons: readonly (typeof UNREADABLE)[] }[],
): void {
  saveMeasurements(
    library,
    all.map(({ id, verdict, reasons }) => ({ frameId: id, verdict, reasons, ...EMPTY_MEASURE })),
  );
}

export async function storeRun(
  work: RunWork,
  records: readonly FrameRecord[],
  sound: readonly FrameRecord[],
  measured: readonly (MeasureResult | undefined)[],
  {
    alignment,
    pointing,
    judged,
  }: {
    readonly alignment: Alignment;
    readonly pointing: SkyPointing | undefined;
    readonly judged: RunJudgement;
  },
): Promise<void> {
  const { library, sequence } = work;
  const broken = records.filter((record) => !record.sound);
  saveVerdicts(
    library,
    broken.map((record) => ({ id: record.id, verdict: 'drop', reasons: [UNREADABLE] })),
  );
  saveMeasurements(
    library,
    sound.map((record, i) => {
      const measurement = measured[i]?.measurement;
      const judgement = judged.frames[i]!;
      const fit = alignment.frames[i];
      return {
        frameId: record.id,
        verdict: judgement.verdict,
        reasons: judgement.reasons,
        remarks: judgement.remarks,
        ...(measurement
          ? {
              starCount: measurement.stars.count,
              fwhm: measurement.fwhm,
              fwhmMinor: measurement.fwhmMinor,
              elongation: measurement.elongation,
              trailAngle: measurement.trailAngle,
              trailLength: judgement.trailLength ?? measurement.trailLength,
              background: measurement.background,
              noise: measurement.noise,
            }
          : EMPTY_MEASURE),
        predictedTrail: judgement.predictedTrail ?? Number.NaN,
        extraTrail: judgement.extraTrail ?? Number.NaN,
        transparency: judgement.transparency ?? Number.NaN,
        cloudCover: judgement.cloudCover ?? Number.NaN,
        fwhmRatio: judgement.fwhmRatio ?? Number.NaN,
        weight: judgement.weight,
        ...(fit?.status === 'fitted'
          ? {
              offsetX: fit.offset.x,
              offsetY: fit.offset.y,
              offsetRotation: fit.offset.rotation,
              segment: fit.segment,
            }
          : {}),
        extra: {
          landLevel: measurement?.landLevel,
          clippedShare: measurement?.clippedShare,
          zones: measurement?.zones,
          streaks: measurement?.streaks,
          zoneTransparency: judgement.zoneTransparency,
          targetTransparency: judgement.targetTransparency,
          rms: fit?.rms,
          matched: fit?.matched,
          headMotion: fit?.headMotion,
          temperature: measured[i]?.temperature ?? record.header.temperature,
        },
      };
    }),
  );
  const { trackRows: _tracks, frames: _frames, ...summary } = alignment;
  saveAlignment(library, sequence.id, {
    ...withoutUnknown(summary),
    matchedFrames: alignment.frames.filter((frame) => frame.status === 'fitted').length,
    remarks: judged.remarks,
    asked: askedOf(work.config),
  });
  savePointing(library, sequence.id, middleOfPicture(alignment, pointing));
}
