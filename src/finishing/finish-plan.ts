import { type ColorImage, DataError, makeColorImage, srgbDecode } from '../core/index.js';
import { FINISH_PARAMETERS } from '../kernels/index.js';
import { balance } from './_balance.js';
import { measureSky } from './_levels.js';
import { toneTable } from './_tone.js';
import { fitSkyGradient, gradientAt, type SkyGradient } from './gradient.js';
import { fitStretch, type Stretch } from './stretch.js';
import type { Survey } from './survey.js';
import type { Look, Rect, SkyAt, SkyLevels } from './types.js';

/** Differences from the surroundings beyond this many sigma are no noise. */
const NOISE_LIMIT = 4.5;

/** Everything that turns rows of a stack into rows of the picture; plain data, so that it crosses threads. */
export interface FinishPlan {
  readonly rect: Rect;
  readonly orientation: number;
  readonly look: Look;
  readonly gradient: SkyGradient;
  readonly sky: SkyLevels;
  /** See `FinishCall`. */
  readonly parameters: Float32Array;
  readonly tone: Float32Array;
  /** By coverage 0..255: 1 / the difference from the surroundings at which smoothing ends; share of smoothing. */
  readonly sharpness: Float32Array;
  readonly smoothing: Float32Array;
}

/**
 * Works out gradient, balance and tone curves of a picture from what the survey saw.
 *
 * @param skyAt where places look, where the pointing is known
 * @throws {DataError} NO_PIXELS when the stack holds no usable pixel
 */
export function makeFinishPlan(survey: Survey, look: Look, skyAt?: SkyAt): FinishPlan {
  const { plan, noise } = survey;
  const orientation = plan.orientation ?? 1;
  const balanced = balance(plan);
  const gradient = fitSkyGradient(survey, { vertical: orientation >= 5 ? 'x' : 'y', skyAt });
  const measured = measureSky(survey, gradient, look.gradient);
  const level = measured?.level ?? survey.land;
  if (!Number.isFinite(level)) {
    throw new DataError('NO_PIXELS', 'Expected a stack with picture data but every pixel is empty.');
  }
  const sky = measured ?? { cast: [0, 0, 0] as const, level, band: level, dark: level };
  const stretch = fitStretch(
    { sky: sky.level, band: sky.band, noise, white: balanced.clip, dark: sky.dark },
    look,
  );
  const { from, span, table } = toneTable(stretch, landStretch(survey.land, stretch, noise, look) ?? stretch);
  const parameters = new Float32Array(FINISH_PARAMETERS.count);
  const P = FINISH_PARAMETERS;
  parameters.set(balanced.multipliers, P.multipliers);
  parameters[P.clip] = balanced.clip;
  parameters.set(balanced.matrix, P.matrix);
  parameters.set(
    sky.cast.map((value) => value * look.neutralize),
    P.cast,
  );
  parameters.set(
    survey.landCast.map((value) => value * look.neutralize),
    P.landCast,
  );
  parameters[P.toneFrom] = from;
  parameters[P.toneScale] = 1 / span;
  parameters[P.landCap] = srgbDecode(0.85 * look.skyLevel);
  parameters[P.saturation] = look.saturation;
  return {
    rect: plan.rect,
    orientation,
    look,
    gradient,
    sky: { level: sky.level, band: sky.band, noise },
    parameters,
    tone: table,
    ...smoothingByCoverage(noise, look.smoothing),
  };
}

/** Fewer frames, more noise: sigma grows as 1/sqrt(n), and the share of smoothing with its square. */
function smoothingByCoverage(noise: number, share: number): Pick<FinishPlan, 'sharpness' | 'smoothing'> {
  const sharpness = new Float32Array(256);
  const smoothing = new Float32Array(256);
  for (let code = 0; code < 256; code++) {
    const thinness = 255 / Math.max(code, 4);
    sharpness[code] = noise > 0 ? 1 / (NOISE_LIMIT * noise * Math.sqrt(thinness)) : 0;
    smoothing[code] = noise > 0 ? 1 - (1 - share) ** thinness : 0;
  }
  return { sharpness, smoothing };
}

/** A curve for the land that starts at the sensor's black, so that dark ground shows without glowing. */
function landStretch(landLevel: number, sky: Stretch, noise: number, look: Look): Stretch | undefined {
  if (!Number.isFinite(landLevel)) return undefined;
  const level = Math.max(landLevel, 4 * noise, 1e-6);
  return fitStretch(
    { sky: level, band: level * 3, noise: 0, white: sky.white },
    { skyLevel: look.landLevel, bandLevel: Math.min(0.9, look.landLevel * 2.2) },
  );
}

/** Coarse picture of the gradient that a plan takes off, ADU in camera colours. */
export function gradientPicture(plan: FinishPlan): ColorImage {
  const { rect, gradient, look } = plan;
  const width = 60;
  const height = Math.max(1, Math.round((60 * rect.height) / rect.width));
  const picture = makeColorImage(width, height);
  for (let color = 0; color < 3; color++) {
    for (let y = 0; y < height; y++) {
      for (let x = 0; x < width; x++) {
        const px = rect.x + ((x + 0.5) * rect.width) / width;
        const py = rect.y + ((y + 0.5) * rect.height) / height;
        picture.data[(color * height + y) * width + x] = look.gradient * gradientAt(gradient, color, px, py);
      }
    }
  }
  return picture;
}
