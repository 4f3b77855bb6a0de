import type { ReasonCode, Verdict } from '../src/core/index.js';
import { moonPosition, sunPosition } from '../src/sky/index.js';
import { apply, type FrameGeometry, frameGeometry, starToPixel, transpose } from './_geometry.js';
import { MEASURED_VARIANCE, shakePath } from './_star-light.js';
import { type HeadMotion, type NightScenario, realExposure, type Shot } from './night-scenario.js';

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
  /** True when a value lies so near a limit that a fair measurement may come out on either side. */
  readonly borderline: boolean;
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
  const j2000: [number, number, number] = apply(transpose(first), axis);
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
    const variance =
      lens.coreSigma ** 2 + (shot.defocus ?? 0) ** 2 + (shot.dew?.sigma ?? 0) ** 2 + MEASURED_VARIANCE;
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
      extraTrail: shakeLength(shot),
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
        borderline: false,
        transparency: hasStars(shot) ? transparency : 0,
        fwhmRatio,
      };
    }
    const measures = { ...base, transparency, fwhmRatio };
    return { ...measures, ...verdictOf(shot, measures), borderline: nearLimit(measures) };
  });
}

function jump(a: HeadMotion | undefined, b: HeadMotion | undefined): number {
  return Math.hypot((a?.x ?? 0) - (b?.x ?? 0), (a?.y ?? 0) - (b?.y ?? 0));
}

/** Length of the line that is as spread out as the swing of a shaken camera, px. */
function shakeLength(shot: Shot): number {
  if (!shot.shake) return 0;
  const angle = (shot.shake.angle * Math.PI) / 180;
  const along = shakePath(shot).map(([x, y]) => x * Math.cos(angle) + y * Math.sin(angle));
  const mean = along.reduce((sum, value) => sum + value, 0) / along.length;
  return Math.sqrt((12 * along.reduce((sum, value) => sum + (value - mean) ** 2, 0)) / along.length);
}

type Measures = Pick<Judged, 'transparency' | 'fwhmRatio' | 'fwhm' | 'extraTrail' | 'sunAltitude'>;

const trailLimit = (fwhm: number): number => Math.max(SCALE.extraTrail, fwhm);

/** Within what a good measurement of a good frame may be wrong by: 2 % in light, 4 % in width, a fifth in trail. */
function nearLimit(m: Measures): boolean {
  const near = (value: number, limit: number, within: number) => Math.abs(value - limit) < within;
  return (
    near(m.transparency, SCALE.dropTransparency, 0.02) ||
    near(m.transparency, SCALE.doubtTransparency, 0.02) ||
    near(m.fwhmRatio, SCALE.doubtFwhmRatio, 0.05) ||
    near(m.fwhmRatio, SCALE.dropFwhmRatio, 0.07) ||
    near(m.extraTrail, trailLimit(m.fwhm), 0.2 * trailLimit(m.fwhm)) ||
    near(m.sunAltitude, SCALE.twilightAltitude, 0.3)
  );
}

function verdictOf(shot: Shot, m: Measures): { verdict: Verdict; reasons: ReasonCode[] } {
  if (shot.damage) return { verdict: 'drop', reasons: ['unreadable'] };
  const reasons: ReasonCode[] = [];
  let drop = false;
  const find = (code: ReasonCode, spoils: boolean): void => {
    if (!reasons.includes(code)) reasons.push(code);
    drop ||= spoils;
  };
  if (m.extraTrail > trailLimit(m.fwhm)) find('shaken', true);
  if (m.fwhmRatio > SCALE.doubtFwhmRatio) find(shot.dew ? 'dew' : 'soft', m.fwhmRatio > SCALE.dropFwhmRatio);
  if (m.transparency < SCALE.doubtTransparency)
    find(shot.cloud ? 'cloud' : 'dew', m.transparency < SCALE.dropTransparency);
  if ((shot.headlights ?? 0) > SCALE.glare || (shot.glare ?? 0) > SCALE.glare) find('glare', false);
  if (m.sunAltitude > SCALE.twilightAltitude) find('twilight', false);
  return { verdict: drop ? 'drop' : reasons.length > 0 ? 'doubt' : 'keep', reasons };
}
