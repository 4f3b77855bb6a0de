import {
  type AlignFrame,
  type Alignment,
  alignSequence,
  predictedPositions,
} from '../../src/alignment/index.js';
import { median, STAR_FLAGS, type StarTable, selectStars } from '../../src/core/index.js';
import { airmass } from '../../src/sky/index.js';
import type { FrameMeasurement } from '../../src/stars/index.js';
import {
  altitudeAt,
  type JudgeFrame,
  type JudgeInput,
  judgeRun,
  type RunJudgement,
  type RunPhotometry,
  zenithInCamera,
} from '../../src/verdicts/index.js';
import {
  type NightScenario,
  type SimulatedFrame,
  type SimulatedNight,
  simulateNight,
} from '../support/synthetic-sky.js';

/** Medians of a table as `measureFrame` would give them; levels are flat, since they would need pixels. */
function measurementOf(stars: StarTable, size: { width: number; height: number }): FrameMeasurement {
  const good = Array.from({ length: stars.count }, (_, i) => i).filter((i) => stars.flags[i] === 0);
  const of = (column: Float32Array) => median(good.map((i) => column[i]!));
  return {
    ...size,
    stars,
    fwhm: of(stars.fwhm),
    fwhmMinor: of(stars.fwhmMinor),
    elongation: of(stars.elongation),
    trailLength: of(stars.trailLength),
    trailAngle: of(stars.theta),
    background: 500,
    noise: 20,
    zones: [],
    streaks: [],
    clippedShare: 0,
  };
}

/** A run of lights brought as far as the judge. */
export interface JudgedRun {
  readonly night: SimulatedNight;
  readonly lights: readonly SimulatedFrame[];
  readonly alignment: Alignment;
  readonly judgement: RunJudgement;
  /** What the judge was told. */
  readonly input: JudgeInput;
}

/** What the header and the clock tell the alignment of a simulated light. */
export function alignFrames(
  lights: readonly SimulatedFrame[],
  tables: readonly StarTable[],
  withTime = true,
): AlignFrame[] {
  const start = Date.parse(lights[0]!.truth.start);
  return lights.map((frame, i) => ({
    id: `f${String(i).padStart(3, '0')}`,
    stars: tables[i]!,
    ...(withTime
      ? { time: (Date.parse(frame.truth.start) - start) / 1000 + frame.truth.realExposureTime / 2 }
      : {}),
    exposureTime: frame.truth.realExposureTime,
  }));
}

/** Aligns as the measuring stage does, without a remembered lens. */
export function alignRunOf(night: SimulatedNight, frames: readonly AlignFrame[]): Alignment {
  const { camera, site } = night.scenario;
  return alignSequence(frames, {
    width: camera.width,
    height: camera.height,
    latitude: site.latitude,
    seed: 1,
  });
}

/** Air mass at the predicted places, as the measuring stage finds it. */
export function airmassAt(
  night: SimulatedNight,
  alignment: Alignment,
  orientation: number | undefined,
  places: { readonly x: Float32Array; readonly y: Float32Array },
): { readonly airmass?: Float32Array } {
  const zenith = zenithInCamera(alignment, { latitude: night.scenario.site.latitude, orientation });
  if (!zenith) return {};
  return {
    airmass: places.x.map((x, i) => airmass(altitudeAt(alignment, zenith, x, places.y[i]!)) ?? Number.NaN),
  };
}

/**
 * Judges the lights of a simulated night from star tables, without making a pixel. The flux of a run's star is
 * what a measurement at its place would give, noise and all, also where the star is too faint to be found.
 */
export function judgeTables(
  scenario: NightScenario,
  options: { readonly withTime?: boolean; readonly maxStars?: number } = {},
): JudgedRun {
  const night = simulateNight(scenario);
  const lights = night.frames.filter((frame) => frame.truth.role === 'light' && !frame.shot.damage);
  const all = lights.map((frame) => frame.starTable({ threshold: 0.5, maxStars: 1e6 }));
  const found = all.map(({ table, row }) => {
    const rows: number[] = [];
    for (let i = 0; i < table.count && rows.length < (options.maxStars ?? 800); i++) {
      if (table.snr[i]! >= 5) rows.push(i);
    }
    return { table: selectStars(table, rows), row: Int32Array.from(rows, (i) => row[i]!) };
  });
  const size = { width: scenario.camera.width, height: scenario.camera.height };
  const frames = alignFrames(
    lights,
    found.map(({ table }) => table),
    options.withTime,
  );
  const alignment = alignRunOf(night, frames);
  const photometry = photometryFromTables(lights, alignment, { all, found });
  const judge: JudgeFrame[] = lights.map((frame, i) => ({
    id: frames[i]!.id,
    measurement: measurementOf(found[i]!.table, size),
    exposureTime: frame.truth.realExposureTime,
    sunAltitude: frame.truth.sunAltitude,
  }));
  const air = airmassAt(night, alignment, lights[0]!.header.orientation, photometry);
  const input: JudgeInput = { frames: judge, alignment, photometry: { ...photometry, ...air } };
  return { night, lights, alignment, input, judgement: judgeRun(input) };
}

/** Share of a star's core light that the simulated table leaves after dew scatters some into the halo. */
function haloLoss({ shot }: SimulatedFrame): number {
  return shot.dew ? 1 - 0.12 * Math.min(1, shot.dew.sigma) : 1;
}

type Drawn = readonly { readonly table: StarTable; readonly row: Int32Array }[];

function photometryFromTables(
  lights: readonly SimulatedFrame[],
  alignment: Alignment,
  { all, found }: { readonly all: Drawn; readonly found: Drawn },
): RunPhotometry {
  const { trackCount, trackRows } = alignment;
  const flux = new Float32Array(all.length * trackCount).fill(Number.NaN);
  const x = new Float32Array(flux.length).fill(Number.NaN);
  const y = new Float32Array(flux.length).fill(Number.NaN);
  const starOf = new Int32Array(trackCount).fill(-1);
  for (let at = 0; at < trackRows.length; at++) {
    const row = trackRows[at]!;
    const k = at % trackCount;
    if (row >= 0 && starOf[k]! < 0) starOf[k] = found[Math.floor(at / trackCount)]!.row[row]!;
  }
  all.forEach(({ table, row }, i) => {
    if (alignment.frames[i]!.status !== 'fitted') return;
    const places = predictedPositions(alignment, i);
    x.set(places.x, i * trackCount);
    y.set(places.y, i * trackCount);
    const at = new Map(Array.from(row, (star, r) => [star, r]));
    for (let k = 0; k < trackCount; k++) {
      const r = starOf[k]! < 0 ? undefined : at.get(starOf[k]!);
      if (r === undefined || (table.flags[r]! & STAR_FLAGS.SATURATED.bit) !== 0) continue;
      // The aperture follows the star's width, so the light that dew scatters nearby is not lost to it.
      flux[i * trackCount + k] = table.flux[r]! / haloLoss(lights[i]!);
    }
  });
  return { trackCount, flux, x, y };
}
