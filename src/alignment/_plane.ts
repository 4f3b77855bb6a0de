import { median, type StarTable } from '../core/index.js';
import { type Context, leftOut, withMotions } from './_build.js';
import { fluxOfTracks, gather } from './_describe.js';
import type { Track } from './_tracks.js';
import { applyHomography, fitPlane, invertHomography } from './homography.js';
import type { Alignment, FrameFit } from './types.js';

/** Stars from which on a homography is held by its stars; below it a similarity. */
const HOMOGRAPHY_STARS = 8;

/** Residuals beyond which a mapping is none, px rms over the frame and over its outer tenth. */
const MOST_RMS = 1.5;
const MOST_CORNER_RMS = 3;

/** An alignment in which nothing fits. */
export function noAlignment(context: Context, reason: string): Alignment {
  const { frames, options } = context;
  const referenceIndex = Math.max(
    0,
    Math.min(frames.length - 1, options.referenceIndex ?? Math.floor((frames.length - 1) / 2)),
  );
  const alignment: Alignment = {
    width: options.width,
    height: options.height,
    method: 'none',
    referenceIndex,
    frames: frames.map((frame, i) =>
      i === referenceIndex ? plainReference(frame.id, frame.time) : leftOut(frame, reason),
    ),
    segmentCount: 1,
    rms: Number.NaN,
    cornerRms: Number.NaN,
    zones: [],
    trackCount: 0,
    trackRows: new Int32Array(0),
    notes: [reason],
  };
  return withMotions(alignment);
}

function plainReference(id: string, time: number | undefined): FrameFit {
  const still = { x: 0, y: 0, rotation: 0 };
  return {
    id,
    status: 'fitted',
    segment: 0,
    rotation: [1, 0, 0, 0, 1, 0, 0, 0, 1],
    homography: [1, 0, 0, 0, 1, 0, 0, 0, 1],
    ...(time === undefined ? {} : { time }),
    rms: 0,
    cornerRms: 0,
    matched: 0,
    offset: still,
    headMotion: still,
  };
}

/** Frame by frame a plane mapping from the reference, where lens and pole could not be found. */
export function planeAlignment(
  context: Context,
  given: {
    readonly tables: readonly StarTable[];
    readonly tracks: readonly Track[];
    readonly joined: readonly number[];
    readonly reference: number;
    readonly skip: readonly Uint8Array[] | undefined;
    /** Why there is no sky-motion model, one plain sentence. */
    readonly why?: string;
  },
): Alignment {
  const { frames: asGiven, order, options } = context;
  const { tables, tracks, reference } = given;
  const { width, height } = options;
  const n = tables.length;
  const rows = new Int32Array(n * tracks.length).fill(-1);
  tracks.forEach((track, t) => {
    for (const [i, row] of track) rows[i * tracks.length + t] = row;
  });
  const fits: FrameFit[] = new Array(n);
  const res = {
    frame: [] as number[],
    x: [] as number[],
    y: [] as number[],
    dx: [] as number[],
    dy: [] as number[],
  };
  const maps: (number[] | undefined)[] = new Array(n).fill(undefined);
  let homographies = 0;
  for (let i = 0; i < n; i++) {
    const at: number[] = [];
    for (let t = 0; t < tracks.length; t++) {
      if (rows[i * tracks.length + t]! >= 0 && rows[reference * tracks.length + t]! >= 0) at.push(t);
    }
    const place = (frame: number, column: 'x' | 'y') =>
      Float64Array.from(at, (t) => tables[frame]![column][rows[frame * tracks.length + t]!]!);
    const pairs = {
      ax: place(reference, 'x'),
      ay: place(reference, 'y'),
      bx: place(i, 'x'),
      by: place(i, 'y'),
    };
    const kind = at.length >= HOMOGRAPHY_STARS ? 'homography' : 'similarity';
    if (i === reference) {
      maps[i] = [1, 0, 0, 0, 1, 0, 0, 0, 1];
      continue;
    }
    const map = at.length >= 3 ? fitPlane(pairs, { kind, softness: 0.5 }) : undefined;
    if (!map) continue;
    maps[i] = map;
    if (kind === 'homography') homographies++;
    for (let k = 0; k < at.length; k++) {
      const [x, y] = applyHomography(map, pairs.ax[k]!, pairs.ay[k]!);
      res.frame.push(i);
      res.x.push(pairs.bx[k]!);
      res.y.push(pairs.by[k]!);
      res.dx.push(pairs.bx[k]! - x);
      res.dy.push(pairs.by[k]! - y);
    }
  }
  const found = gather(res, { width, height, frameCount: n });
  let fittedCount = 0;
  for (let i = 0; i < n; i++) {
    const frame = asGiven[order[i]!]!;
    const map = maps[i];
    if (!map) {
      fits[order[i]!] = leftOut(frame, 'Too few of its stars are those of the reference frame.');
      continue;
    }
    if (i !== reference && (found.rms[i]! > MOST_RMS || found.cornerRms[i]! > MOST_CORNER_RMS)) {
      const worst = Math.max(found.rms[i]!, found.cornerRms[i]! || 0).toFixed(1);
      const reason = `Its stars miss any plane mapping from the reference frame by up to ${worst} px.`;
      fits[order[i]!] = { ...leftOut(frame, reason), rms: found.rms[i]!, cornerRms: found.cornerRms[i]! };
      continue;
    }
    if (i !== reference) fittedCount++;
    fits[order[i]!] = {
      ...plainReference(frame.id, frame.time),
      homography: map,
      rms: i === reference ? 0 : found.rms[i]!,
      cornerRms: i === reference ? 0 : found.cornerRms[i]!,
      matched: i === reference ? tracks.length : found.matched[i]!,
    };
  }
  if (fittedCount === 0) return noAlignment(context, whyNone(fits, given.why));
  const trackRows = new Int32Array(n * tracks.length).fill(-1);
  const trackX = new Float64Array(tracks.length);
  const trackY = new Float64Array(tracks.length);
  tracks.forEach((track, t) => {
    const xs: number[] = [];
    const ys: number[] = [];
    for (const [i, row] of track) {
      trackRows[order[i]! * tracks.length + t] = row;
      const map = maps[i];
      if (!map) continue;
      const [x, y] = applyHomography(invertHomography(map), tables[i]!.x[row]!, tables[i]!.y[row]!);
      xs.push(x);
      ys.push(y);
    }
    trackX[t] = median(xs);
    trackY[t] = median(ys);
  });
  return withMotions({
    width,
    height,
    method: homographies * 2 >= fittedCount ? 'homography' : 'similarity',
    referenceIndex: order[reference]!,
    frames: fits,
    segmentCount: 1,
    rms: found.totalRms,
    cornerRms: found.totalCornerRms,
    zones: found.zones,
    trackCount: tracks.length,
    trackRows,
    trackX,
    trackY,
    trackFlux: fluxOfTracks(tables, tracks),
    notes: [
      ...(given.why ? [given.why] : []),
      'Lens and pole could not be found from these frames; each frame has a mapping of its own.',
    ],
  });
}

/** One sentence on why no frame could be mapped. */
function whyNone(fits: readonly FrameFit[], why: string | undefined): string {
  if (why) return why;
  const reasons = fits.flatMap(({ reason, rms }) => (reason && rms > 0 ? [reason] : []));
  return reasons.length > 0
    ? 'The stars of these frames follow neither one lens and pole nor a plane mapping.'
    : 'Too few stars are common to the frames.';
}
