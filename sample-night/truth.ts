import type { ReasonCode, Verdict } from '../src/core/index.js';
import { moonPosition, sunPosition } from '../src/sky/index.js';
import { apply, type FrameGeometry, frameGeometry, starToPixel } from './_geometry.js';
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

/** The verdict part of a frame's truth. */
export interface Judged {
  readonly sequence: number;
  readonly segment: number;
  readonly verdict: Verdict;
  readonly reasons: readonly ReasonCode[];
  readonly transparency: number;
  readonly fwhm: number;
  readonly fwhmRatio: number;
  readonly trailLength: number;
  readonly extraTrail: number;
  readonly sunAltitude: number;
  readonly moonAltitude: number;
}

/** The scale of DESIGN section 6, as a truth night is counted by it. */
export const SCALE = {
  dropTransparency: 0.72,
  doubtTransparency: 0.93,
  dropFwhmRatio: 1.6,
  doubtFwhmRatio: 1.2,
  extraTrail: 2.5,
  twilightAltitude: -18,
  /** Headlights and stray light weaker than this, in natural skies, do not show. */
  glare: 0.15,
} as const;

const hasStars = (shot: Shot): boolean => shot.role === 'light' || shot.role === 'test';

/** Trail at the middle of the frame, px. */
function centerTrail(scenario: NightScenario, shot: Shot): number {
  const geometry = frameGeometry(scenario, shot);
  const { camera } = geometry;
  // The camera's axis as a direction of the sky, carried through the exposure; refraction is far below 1 %.
  const axis: [number, number, number] = [camera[6]!, camera[7]!, camera[8]!];
  const seconds = realExposure(shot);
  const first = geometry.skyAt(shot.time);
  const j2000: [number, number, number] = apply(
    [first[0]!, first[3]!, first[6]!, first[1]!, first[4]!, first[7]!, first[2]!, first[5]!, first[8]!],
    axis,
  );
  const plain: FrameGeometry = { ...geometry, refraction: false };
  const a = new Float64Array(3);
  const b = new Float64Array(3);
  starToPixel(plain, first, ...j2000, a);
  starToPixel(plain, geometry.skyAt(shot.time + seconds), ...j2000, b);
  return Math.hypot(b[0]! - a[0]!, b[1]! - a[1]!);
}

const sequenceKey = (shot: Shot): string =>
  JSON.stringify([
    shot.role,
    shot.exposureTime,
    shot.iso,
    shot.pointing,
    shot.role === 'test' ? shot.defocus : 0,
  ]);

/** Judges every frame of a scenario by its planned imperfections. */
export function judge(scenario: NightScenario): Judged[] {
  const { shots, lens } = scenario;
  const fwhm = shots.map((shot) => {
    if (!hasStars(shot)) return 0;
    // 1/12: the pixel's own square.
    const variance = lens.coreSigma ** 2 + (shot.defocus ?? 0) ** 2 + (shot.dew?.sigma ?? 0) ** 2 + 1 / 12;
    return 2 * Math.sqrt(Math.LN2 * (2 * variance + centerTrail(scenario, shot) ** 2 / 12));
  });
  const clear = shots.map((shot) => (shot.cloud?.transparency ?? 1) * (1 - (shot.dew?.loss ?? 0)));
  const opening = (shot: Shot) => new Date(Date.parse(scenario.start) + shot.time * 1000);
  let sequence = -1;
  let segment = 0;
  let key = '';
  const place = shots.map((shot, i) => {
    const next = sequenceKey(shot);
    if (next !== key) {
      key = next;
      sequence++;
      segment = 0;
    } else if (i > 0 && jump(shots[i - 1]!.head, shot.head) > 3) segment++;
    return { sequence, segment };
  });
  return shots.map((shot, i): Judged => {
    const base = {
      ...place[i]!,
      sunAltitude: sunPosition(opening(shot), scenario.site).altitude,
      moonAltitude: moonPosition(opening(shot), scenario.site).altitude,
      fwhm: fwhm[i]!,
      trailLength: hasStars(shot) ? centerTrail(scenario, shot) : 0,
      extraTrail: shot.shake?.length ?? 0,
    };
    const peers = shots.flatMap((_, j) => (place[j]!.sequence === place[i]!.sequence ? [j] : []));
    const best = Math.max(...peers.map((j) => clear[j]!));
    const widths = peers.map((j) => fwhm[j]!).sort((a, b) => a - b);
    const quarter = widths[Math.floor((Math.ceil(widths.length / 4) - 1) / 2)]!;
    const transparency = clear[i]! / best;
    const fwhmRatio = hasStars(shot) ? fwhm[i]! / quarter : 0;
    if (shot.role !== 'light') {
      return {
        ...base,
        verdict: 'none',
        reasons: [],
        transparency: hasStars(shot) ? transparency : 0,
        fwhmRatio,
      };
    }
    return { ...base, ...verdictOf(shot, { ...base, transparency, fwhmRatio }), transparency, fwhmRatio };
  });
}

function jump(a: HeadMotion | undefined, b: HeadMotion | undefined): number {
  return Math.hypot((a?.x ?? 0) - (b?.x ?? 0), (a?.y ?? 0) - (b?.y ?? 0));
}

function verdictOf(
  shot: Shot,
  m: { transparency: number; fwhmRatio: number; fwhm: number; extraTrail: number; sunAltitude: number },
): { verdict: Verdict; reasons: ReasonCode[] } {
  if (shot.damage) return { verdict: 'drop', reasons: ['unreadable'] };
  const reasons: ReasonCode[] = [];
  let drop = false;
  const find = (code: ReasonCode, spoils: boolean): void => {
    if (!reasons.includes(code)) reasons.push(code);
    drop ||= spoils;
  };
  const limit = Math.max(SCALE.extraTrail, m.fwhm);
  if (m.extraTrail > limit) find('shaken', true);
  if (m.fwhmRatio > SCALE.doubtFwhmRatio) find(shot.dew ? 'dew' : 'soft', m.fwhmRatio > SCALE.dropFwhmRatio);
  if (m.transparency < SCALE.doubtTransparency)
    find(shot.cloud ? 'cloud' : 'dew', m.transparency < SCALE.dropTransparency);
  if ((shot.headlights ?? 0) > SCALE.glare || (shot.glare ?? 0) > SCALE.glare) find('glare', false);
  if (m.sunAltitude > SCALE.twilightAltitude) find('twilight', false);
  return { verdict: drop ? 'drop' : reasons.length > 0 ? 'doubt' : 'keep', reasons };
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
