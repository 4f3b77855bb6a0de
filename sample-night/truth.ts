import type { ReasonCode, Verdict } from '../src/core/index.js';
import { apply, type FrameGeometry } from './_geometry.js';
import type { Judged } from './_judge.js';
import { project } from './_lens.js';
import type { Sensor, SensorDefect } from './_sensor.js';
import {
  type HeadMotion,
  type LensShape,
  type NightScenario,
  realExposure,
  type Shot,
  type StreakPlan,
} from './night-scenario.js';

/** How directions land on one frame, exactly. */
export interface MappingTruth {
  /** Row-major 3x3: apparent direction (east, north, up) to camera axes (x right, y down, z forward). */
  readonly attitude: readonly number[];
  readonly lens: LensShape & {
    readonly focalLengthPx: number;
    readonly centerX: number;
    readonly centerY: number;
  };
  /** The celestial pole above the horizon: direction in camera axes, and px (NaN behind the camera). Refraction left out. */
  readonly pole: readonly [number, number, number];
  readonly poleX: number | null;
  readonly poleY: number | null;
}

/** What is true of one frame. */
export interface FrameTruth {
  readonly index: number;
  readonly role: Shot['role'];
  /** Sequence of the night it belongs to, and the part of it between knocks, both from 0. */
  readonly sequence: number;
  readonly segment: number;
  readonly verdict: Verdict;
  readonly reasons: readonly ReasonCode[];
  /** UTC instant of the opening of the shutter. */
  readonly start: string;
  readonly exposureTime: number;
  readonly realExposureTime: number;
  readonly temperature: number;
  /** Mean share of starlight over the visible sky against the run's best. */
  readonly transparency: number;
  /** Width of a star at the middle of the frame, px, the sky's trail included; against the run's best quarter; 0 for frames without stars. */
  readonly fwhm: number;
  readonly fwhmRatio: number;
  /** Trail by the sky's turn at the middle of the frame, px, and what shake adds. */
  readonly trailLength: number;
  readonly extraTrail: number;
  readonly head: HeadMotion;
  readonly headlights: number;
  readonly streaks: readonly StreakPlan[];
  readonly sunAltitude: number;
  readonly moonAltitude: number;
  /** True when a value lies so near a limit of the scale that either verdict is fair: leave such frames out of counts. */
  readonly borderline: boolean;
  readonly damage: Shot['damage'] | null;
  readonly mapping: MappingTruth;
}

export interface SequenceTruth {
  readonly role: Shot['role'];
  readonly first: number;
  readonly count: number;
  readonly exposureTime: number;
  readonly iso: number;
  readonly segments: number;
}

/** One thing that happened, for the report to find. */
export interface EventTruth {
  readonly kind:
    | 'cloud'
    | 'knock'
    | 'shake'
    | 'soft'
    | 'dew'
    | 'headlights'
    | 'glare'
    | 'aircraft'
    | 'satellite'
    | 'meteor'
    | 'damage';
  /** Frame indexes. */
  readonly frames: readonly number[];
}

export interface NightTruth {
  readonly scenario: string;
  readonly seed: number;
  readonly start: string;
  readonly site: NightScenario['site'];
  readonly frames: readonly FrameTruth[];
  readonly sequences: readonly SequenceTruth[];
  readonly events: readonly EventTruth[];
  readonly defects: readonly SensorDefect[];
  readonly dust: Sensor['dust'];
}

/** Puts a frame's truth together. */
export function frameTruth(input: {
  readonly scenario: NightScenario;
  readonly shot: Shot;
  readonly index: number;
  readonly geometry: FrameGeometry;
  readonly judged: Judged;
}): FrameTruth {
  const { scenario, shot, index, geometry, judged } = input;
  const { lens, camera } = geometry;
  const latitude = (scenario.site.latitude * Math.PI) / 180;
  const sign = scenario.site.latitude < 0 ? -1 : 1;
  const pole = apply(camera, [0, sign * Math.cos(latitude), sign * Math.sin(latitude)]);
  const out = new Float64Array(2);
  project(lens, ...pole, out);
  const known = (value: number): number | null => (Number.isFinite(value) ? value : null);
  return {
    index,
    role: shot.role,
    ...judged,
    start: new Date(Date.parse(scenario.start) + shot.time * 1000).toISOString(),
    exposureTime: shot.exposureTime,
    realExposureTime: realExposure(shot),
    temperature: shot.temperature,
    head: shot.head ?? { x: 0, y: 0, rotation: 0 },
    headlights: shot.headlights ?? 0,
    streaks: shot.streaks ?? [],
    damage: shot.damage ?? null,
    mapping: {
      attitude: camera,
      lens: {
        ...lens.shape,
        focalLengthPx: lens.focalLengthPx,
        centerX: lens.centerX,
        centerY: lens.centerY,
      },
      pole,
      poleX: known(out[0]!),
      poleY: known(out[1]!),
    },
  };
}

/** Puts a night's truth together. */
export function nightTruth(
  scenario: NightScenario,
  frames: readonly { readonly truth: FrameTruth }[],
  sensor: Sensor,
): NightTruth {
  const truths = frames.map((frame) => frame.truth);
  const sequences: SequenceTruth[] = [];
  for (const truth of truths) {
    const shot = scenario.shots[truth.index]!;
    const last = sequences[truth.sequence];
    sequences[truth.sequence] = last
      ? { ...last, count: last.count + 1, segments: Math.max(last.segments, truth.segment + 1) }
      : {
          role: shot.role,
          first: truth.index,
          count: 1,
          exposureTime: shot.exposureTime,
          iso: shot.iso,
          segments: 1,
        };
  }
  return {
    scenario: scenario.name,
    seed: scenario.seed,
    start: scenario.start,
    site: scenario.site,
    frames: truths,
    sequences,
    events: eventsOf(scenario, truths),
    defects: sensor.defects,
    dust: sensor.dust,
  };
}

function eventsOf(scenario: NightScenario, truths: readonly FrameTruth[]): EventTruth[] {
  const events: EventTruth[] = [];
  const note = (kind: EventTruth['kind'], has: (shot: Shot, index: number) => boolean): void => {
    const frames = scenario.shots.flatMap((shot, i) => (shot.role === 'light' && has(shot, i) ? [i] : []));
    if (frames.length > 0) events.push({ kind, frames });
  };
  note('cloud', (shot) => shot.cloud !== undefined);
  note(
    'knock',
    (_, i) =>
      i > 0 &&
      truths[i]!.sequence === truths[i - 1]!.sequence &&
      truths[i]!.segment !== truths[i - 1]!.segment,
  );
  note('shake', (shot) => shot.shake !== undefined);
  note('soft', (shot) => shot.defocus !== undefined);
  note('dew', (shot) => shot.dew !== undefined);
  note('headlights', (shot) => shot.headlights !== undefined);
  note('glare', (shot) => shot.glare !== undefined);
  for (const kind of ['aircraft', 'satellite', 'meteor'] as const) {
    note(kind, (shot) => shot.streaks?.some((streak) => streak.kind === kind) ?? false);
  }
  note('damage', (shot) => shot.damage !== undefined);
  return events;
}
