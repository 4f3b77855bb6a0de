import { sameSettings } from './_settings.js';
import type { FrameForGrouping } from './types.js';

/** A frame on its way through the grouping. */
export interface Shot {
  readonly frame: FrameForGrouping;
  /** Start used for ordering and gaps, ms: the frame's own, or read off its number neighbours; absent when undated. */
  readonly startMs?: number;
  /** Frames that are other files of the same exposure (a JPEG beside its RAW). */
  readonly twins: readonly FrameForGrouping[];
}

/** All shots of one body in order of time, or the undated ones in order of number. */
export interface Stream {
  readonly dated: boolean;
  readonly shots: readonly Shot[];
}

/** From the end of one shot to the start of the next, s; NaN when either is undated. */
export function idleBetween(a: Shot, b: Shot): number {
  if (a.startMs === undefined || b.startMs === undefined) return Number.NaN;
  return (b.startMs - a.startMs) / 1000 - (a.frame.header.exposureTime ?? 0);
}

/** Digits at the end of the name, or what the header says. */
function numberOf(frame: FrameForGrouping): number | undefined {
  if (frame.header.fileNumber !== undefined) return frame.header.fileNumber;
  const digits = /(\d+)\D*$/.exec(stem(frame.path))?.[1];
  return digits === undefined ? undefined : Number(digits);
}

export function folderOf(path: string): string {
  const at = path.lastIndexOf('/');
  return at < 0 ? '' : path.slice(0, at);
}

/** File name without folder and extension. */
export function stem(path: string): string {
  const name = path.slice(path.lastIndexOf('/') + 1);
  const dot = name.lastIndexOf('.');
  return dot > 0 ? name.slice(0, dot) : name;
}

const compareText = (a: string, b: string): number => (a < b ? -1 : a > b ? 1 : 0);

function compareByName(a: FrameForGrouping, b: FrameForGrouping): number {
  return (
    compareText(folderOf(a.path), folderOf(b.path)) ||
    (numberOf(a) ?? -1) - (numberOf(b) ?? -1) ||
    compareText(a.path, b.path) ||
    compareText(a.id, b.id)
  );
}

/** By time, then folder, number and name (P48); an equal input in any order gives the same order out. */
function compareByTime(a: Shot, b: Shot): number {
  return (a.startMs ?? 0) - (b.startMs ?? 0) || compareByName(a.frame, b.frame);
}

/** Parts the frames by body and puts each body's shots in order; RAW and JPEG of one exposure become one shot. */
export function streamsOf(frames: readonly FrameForGrouping[]): Stream[] {
  const bodies = new Map<string, FrameForGrouping[]>();
  for (const [frame, body] of bodyOf([...frames].sort(compareByName))) {
    const list = bodies.get(body);
    if (list) list.push(frame);
    else bodies.set(body, [frame]);
  }
  const streams: Stream[] = [];
  for (const body of [...bodies.keys()].sort(compareText)) {
    const shots = fillTimes(pairTwins(bodies.get(body)!));
    const dated = shots.filter((shot) => shot.startMs !== undefined).sort(compareByTime);
    for (const part of partOverlapping(dated)) streams.push({ dated: true, shots: part });
    const undated = shots.filter((shot) => shot.startMs === undefined);
    if (undated.length > 0) streams.push({ dated: false, shots: rollOrder(undated) });
  }
  return streams;
}

/**
 * Names the body of each frame: model and serial, or the picture size where the file does not say. A frame
 * without a model or a serial takes those of its folder, when all others there are of one body.
 */
function bodyOf(frames: readonly FrameForGrouping[]): Map<FrameForGrouping, string> {
  const withSerial = new Set(
    frames.filter(({ header }) => header.serial !== undefined).map(({ header }) => header.camera),
  );
  const named = ({ header: { camera, serial } }: FrameForGrouping): string | undefined => {
    if (camera === undefined || !withSerial.has(camera)) return camera;
    return serial === undefined ? undefined : `${camera} ${serial}`;
  };
  const folderBodies = new Map<string, Set<string>>();
  for (const frame of frames) {
    const body = named(frame);
    if (body === undefined) continue;
    const key = folderOf(frame.path);
    folderBodies.set(key, (folderBodies.get(key) ?? new Set()).add(body));
  }
  const result = new Map<FrameForGrouping, string>();
  for (const frame of frames) {
    const { camera, width, height } = frame.header;
    const neighbours = [...(folderBodies.get(folderOf(frame.path)) ?? [])].filter(
      (body) => camera === undefined || body.startsWith(camera),
    );
    const alone = neighbours.length === 1 ? neighbours[0] : undefined;
    result.set(frame, named(frame) ?? alone ?? camera ?? `size ${width ?? '?'}x${height ?? '?'}`);
  }
  return result;
}

/** Joins files of one exposure: same name but for the extension, different format, same moment (P52). The RAW leads. */
function pairTwins(frames: readonly FrameForGrouping[]): Shot[] {
  const byName = new Map<string, FrameForGrouping[]>();
  for (const frame of frames) {
    const key = stem(frame.path).toLowerCase();
    const list = byName.get(key);
    if (list) list.push(frame);
    else byName.set(key, [frame]);
  }
  const shots: Shot[] = [];
  for (const list of byName.values()) {
    const left = [...list].sort((a, b) => rank(a) - rank(b) || compareByName(a, b));
    while (left.length > 0) {
      const lead = left.shift()!;
      const twins = left.filter((other) => isTwin(lead, other));
      for (const twin of twins) left.splice(left.indexOf(twin), 1);
      shots.push({
        frame: lead,
        twins,
        ...(lead.startMs === undefined ? {} : { startMs: lead.startMs }),
      });
    }
  }
  return shots.sort((a, b) => compareByName(a.frame, b.frame));
}

function rank({ header: { format } }: FrameForGrouping): number {
  return ['raw', 'dng', 'fits', 'tiff', 'png', 'jpeg'].indexOf(format);
}

function isTwin(a: FrameForGrouping, b: FrameForGrouping): boolean {
  if (a.header.format === b.header.format) return false;
  if (a.startMs === undefined || b.startMs === undefined)
    return a.startMs === b.startMs && folderOf(a.path) === folderOf(b.path);
  // RAW and JPEG may carry different sub-second tags.
  return Math.abs(a.startMs - b.startMs) < 1500;
}

/** Number neighbours further apart than this say nothing of what was between them, ms. */
const NEIGHBOUR_SPAN_MS = 600_000;

/** How far the counter went from one frame to a later one, over the roll from 9999 to 0001; undefined when it did not. */
function numberStep(a: FrameForGrouping, b: FrameForGrouping): number | undefined {
  const [from, to] = [numberOf(a), numberOf(b)];
  if (from === undefined || to === undefined || from === to) return undefined;
  return (to - from + 9999) % 9999;
}

/**
 * Gives a shot without a time the one its number implies, when the dated shots before and after it (in a next
 * folder too) are of the same settings and close in number and time.
 */
function fillTimes(shots: readonly Shot[]): Shot[] {
  return shots.map((shot, i) => {
    if (shot.startMs !== undefined) return shot;
    const near = (step: -1 | 1): Shot | undefined => {
      for (let k = i + step; k >= 0 && k < shots.length && Math.abs(k - i) <= 3; k += step) {
        const other = shots[k]!;
        if (other.startMs !== undefined) return other;
      }
      return undefined;
    };
    const before = near(-1);
    const after = near(1);
    if (!before || !after || before.startMs! >= after.startMs!) return shot;
    if (after.startMs! - before.startMs! > NEIGHBOUR_SPAN_MS) return shot;
    if (!sameSettings(before.frame.header, shot.frame.header)) return shot;
    if (!sameSettings(after.frame.header, shot.frame.header)) return shot;
    const since = numberStep(before.frame, shot.frame);
    const until = numberStep(shot.frame, after.frame);
    if (since === undefined || until === undefined || since + until > 8) return shot;
    const share = since / (since + until);
    return { ...shot, startMs: before.startMs! + share * (after.startMs! - before.startMs!) };
  });
}

/** Undated shots in order of folder and number, beginning after the roll when 9999 was passed within a folder (P48). */
function rollOrder(shots: readonly Shot[]): Shot[] {
  const folders = new Map<string, Shot[]>();
  for (const shot of [...shots].sort((a, b) => compareByName(a.frame, b.frame))) {
    const key = folderOf(shot.frame.path);
    const list = folders.get(key);
    if (list) list.push(shot);
    else folders.set(key, [shot]);
  }
  return [...folders.values()].flatMap((list) => {
    const numbers = list.map((shot) => numberOf(shot.frame) ?? -1);
    if (!(numbers[0]! >= 0 && numbers[0]! < 1000 && numbers.at(-1)! > 9000)) return list;
    let widest = 1;
    for (let i = 1; i < numbers.length; i++)
      if (numbers[i]! - numbers[i - 1]! > numbers[widest]! - numbers[widest - 1]!) widest = i;
    return numbers[widest]! - numbers[widest - 1]! > 5000
      ? [...list.slice(widest), ...list.slice(0, widest)]
      : list;
  });
}

/**
 * Exposures of one body cannot overlap: where many do, two bodies of one model without serial numbers are
 * mixed, and the shots are followed by folder and running number instead.
 */
function partOverlapping(shots: readonly Shot[]): Shot[][] {
  if (shots.length === 0) return [];
  let overlaps = 0;
  for (let i = 1; i < shots.length; i++) if (overlap(shots[i - 1]!, shots[i]!)) overlaps++;
  if (overlaps < 3 || overlaps < shots.length / 10) return [[...shots]];
  const tracks: { shots: Shot[]; number: number; folder: string; prefix: string }[] = [];
  for (const shot of shots) {
    const number = numberOf(shot.frame) ?? 0;
    const folder = folderOf(shot.frame.path);
    const prefix = stem(shot.frame.path).replace(/\d+\D*$/, '');
    const step = (track: (typeof tracks)[number]) => (number - track.number + 10_000) % 10_000;
    const fitting = tracks
      .filter((track) => track.prefix === prefix && step(track) <= 50 && !overlap(track.shots.at(-1)!, shot))
      .sort((a, b) => Number(b.folder === folder) - Number(a.folder === folder) || step(a) - step(b));
    const track = fitting[0];
    if (!track) tracks.push({ shots: [shot], number, folder, prefix });
    else {
      track.shots.push(shot);
      track.number = number;
      track.folder = folder;
    }
  }
  return tracks.map((track) => track.shots);
}

function overlap(a: Shot, b: Shot): boolean {
  const exposure = a.frame.header.exposureTime ?? 0;
  // Whole-second clocks and a nominal shutter leave two seconds of doubt.
  return exposure > 3 && b.startMs! - a.startMs! < (0.9 * exposure - 2) * 1000;
}
