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
  estimateBackground,
  type FrameMeasurement,
  forcedPhotometry,
  measureFrame,
} from '../stars/index.js';
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

export interface FirstLookTask {
  readonly paths: readonly string[];
  readonly longSide: number;
  /** Share of the frames in which a pixel must stand out to be called a defect. */
  readonly defectShare: number;
}

export interface FirstLookResult {
  /** One a readable frame. */
  readonly samples: readonly SampleResult[];
  /** Sorted indices y*width+x. */
  readonly defects: Uint32Array;
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
}

export interface PhotometryTask {
  readonly path: string;
  readonly mask?: Mask | undefined;
  readonly defects?: Uint32Array | undefined;
  readonly x: Float32Array;
  readonly y: Float32Array;
  /** Aperture radius, px. */
  readonly radius: number;
}

const optionsFor = (pixels: FramePixels, mask: Mask | undefined) => ({
  saturation: pixels.whiteLevel[1],
  quantization: pixels.quantization,
  ...(mask === undefined ? {} : { mask }),
});

/** Looks at some frames one after the other, so that defects can be told by staying put. */
async function lookFirst(task: FirstLookTask): Promise<FirstLookResult> {
  const collector = defectsOfRun({ share: task.defectShare });
  const samples: SampleResult[] = [];
  for (const path of task.paths) {
    try {
      const pixels = await loadPixels(path);
      if (samples[0] && (pixels.width !== samples[0].width || pixels.height !== samples[0].height)) continue;
      collector.accumulate(pixels);
      const plane = detectionPlane(pixels);
      const step = Math.max(1, Math.ceil(Math.max(plane.width, plane.height) / task.longSide));
      samples.push({
        width: pixels.width,
        height: pixels.height,
        small: decimate(plane, step),
        stars: measureFrame(plane, optionsFor(pixels, undefined)).stars,
        levels: makePreview(pixels, { longSide: 200 }).levels,
      });
    } catch (error) {
      // A frame that cannot be read is told by the measuring pass; here it only is no sample.
      if (!(error instanceof FormatError || error instanceof DataError)) throw error;
    }
  }
  return { samples, defects: collector.finish() };
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
  return { measurement, ...(pixels.temperature === undefined ? {} : { temperature: pixels.temperature }) };
}

/** Fluxes at given places; NaN off the frame, on land, and where the star is clipped. */
async function photometry(task: PhotometryTask): Promise<Float32Array> {
  const pixels = await loadPixels(task.path);
  const plane = detectionPlane(pixels, task.defects);
  const background = estimateBackground(plane, task.mask === undefined ? {} : { mask: task.mask });
  const { flux, coverage, peak } = forcedPhotometry(plane, background, task, { radius: task.radius });
  const full = 0.95 * pixels.whiteLevel[1];
  const { mask } = task;
  for (let i = 0; i < flux.length; i++) {
    const x = Math.round(task.x[i]!);
    const y = Math.round(task.y[i]!);
    const onLand = mask !== undefined && mask.data[y * mask.width + x] === 1;
    if (onLand || coverage[i]! < 0.99 || peak[i]! >= full) flux[i] = Number.NaN;
  }
  return flux;
}

serveTasks({ lookFirst, measure, photometry });
