import { mkdir, writeFile } from 'node:fs/promises';
import { dirname } from 'node:path';
import sharp from 'sharp';
import {
  DataError,
  FormatError,
  type FramePixels,
  type Mask,
  type Plane,
  type StarTable,
} from '../core/index.js';
import { makePreview, type PreviewLevels } from '../finishing/index.js';
import { serveTasks } from '../kernels/index.js';
import {
  decimate,
  defectsOfRun,
  detectionPlane,
  estimateNoise,
  type FrameMeasurement,
  measureFrame,
} from '../stars/index.js';
import { weighStars } from '../verdicts/index.js';
import { loadPixels } from './_pixels.js';

/** A first look at a frame of a run, from which land and defects are found. */
export interface SampleResult {
  readonly width: number;
  readonly height: number;
  /** Detection plane averaged down. */
  readonly small: Plane;
  readonly stars: StarTable;
  readonly levels: PreviewLevels;
}

export interface SampleTask {
  readonly path: string;
  readonly longSide: number;
}

export interface DefectsTask {
  readonly paths: readonly string[];
  /** Share of the frames in which a pixel must stand out to be called a defect. */
  readonly share: number;
}

export interface MeasureTask {
  readonly path: string;
  readonly mask?: Mask | undefined;
  readonly defects?: Uint32Array | undefined;
  readonly levels?: PreviewLevels | undefined;
  /** Where the small picture goes. */
  readonly previewPath: string;
}

export interface MeasureResult {
  readonly measurement: FrameMeasurement;
  readonly temperature?: number;
  /** True when the file went through a camera's 8-bit curve, which can be undone only roughly. */
  readonly curved: boolean;
}

/** Pairs of paths, neighbours in time. */
export interface NoiseTask {
  readonly pairs: readonly (readonly [string, string])[];
}

/** e-/ADU, e-, and electrons at which a pixel clips. */
export interface MeasuredNoise {
  readonly gain: number;
  readonly readNoise: number;
  readonly fullWell: number;
}

export interface PhotometryTask {
  readonly path: string;
  readonly mask?: Mask | undefined;
  readonly defects?: Uint32Array | undefined;
  readonly x: Float32Array;
  readonly y: Float32Array;
  /** Typical width of the frame's stars, px. */
  readonly fwhm: number;
}

const optionsFor = (pixels: FramePixels, mask: Mask | undefined) => ({
  saturation: pixels.whiteLevel[1],
  quantization: pixels.quantization,
  // Plenty for alignment and medians; fitting the shapes of more would double the time.
  maxStars: 800,
  ...(mask === undefined ? {} : { mask }),
});

async function sample(task: SampleTask): Promise<SampleResult> {
  const pixels = await loadPixels(task.path);
  const plane = detectionPlane(pixels);
  const step = Math.max(1, Math.ceil(Math.max(plane.width, plane.height) / task.longSide));
  const options = { ...optionsFor(pixels, undefined), streaks: false };
  return {
    width: pixels.width,
    height: pixels.height,
    small: decimate(plane, step),
    stars: measureFrame(plane, options).stars,
    levels: makePreview(pixels, { longSide: 200 }).levels,
  };
}

/** Looks at some frames one after the other, so that defects can be told by staying put. */
async function defects(task: DefectsTask): Promise<Uint32Array> {
  const collector = defectsOfRun({ share: task.share });
  for (const path of task.paths) {
    try {
      collector.accumulate(await loadPixels(path));
    } catch (error) {
      // A frame that cannot be read is told by the measuring pass; here it only is no sample.
      if (!(error instanceof FormatError || error instanceof DataError)) throw error;
    }
  }
  return collector.finish();
}

async function measure(task: MeasureTask): Promise<MeasureResult> {
  const pixels = await loadPixels(task.path);
  const plane = detectionPlane(pixels, task.defects);
  const measurement = measureFrame(plane, optionsFor(pixels, task.mask));
  const preview = makePreview(pixels, { longSide: 720, levels: task.levels });
  await mkdir(dirname(task.previewPath), { recursive: true });
  const jpeg = await sharp(preview.data, {
    raw: { width: preview.width, height: preview.height, channels: 3 },
  })
    .jpeg({ quality: 82 })
    .toBuffer();
  await writeFile(task.previewPath, jpeg);
  return {
    measurement,
    curved: pixels.kind === 'color' && pixels.quantization > 1,
    ...(pixels.temperature === undefined ? {} : { temperature: pixels.temperature }),
  };
}

/** Fluxes at given places; NaN off the frame, on land, and where the star is clipped. */
async function photometry(task: PhotometryTask): Promise<Float32Array> {
  const pixels = await loadPixels(task.path);
  const plane = detectionPlane(pixels, task.defects);
  return weighStars(plane, task, {
    fwhm: task.fwhm,
    mask: task.mask,
    saturation: pixels.whiteLevel[1],
  });
}

/** Gain and read noise from pairs of neighbouring frames; undefined where they do not tell. */
async function noise(task: NoiseTask): Promise<MeasuredNoise | undefined> {
  const collector = estimateNoise();
  let white = 0;
  for (const [first, second] of task.pairs) {
    try {
      const pair = [await loadPixels(first), await loadPixels(second)] as const;
      collector.accumulate(...pair);
      white = Math.min(...pair[0].whiteLevel);
    } catch (error) {
      if (!(error instanceof FormatError || error instanceof DataError)) throw error;
    }
  }
  const model = collector.finish();
  if (model?.known !== true) return undefined;
  return { gain: model.gain, readNoise: model.gain * model.readNoise, fullWell: model.gain * white };
}

serveTasks({ sample, defects, measure, photometry, noise });
