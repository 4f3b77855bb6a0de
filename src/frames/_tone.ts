import { invert3, srgbDecode } from '../core/index.js';
import { hasText } from './_source.js';
import { SRGB_D50 } from './icc.js';

/** What an embedded profile says: a curve for each colour and the way to linear sRGB. */
export interface Tone {
  /** From signal to light, both in [0, 1]: one function, or three. */
  readonly curves: readonly ((signal: number) => number)[];
  /** True when signal is light. */
  readonly linear: boolean;
  /** Profile RGB (linear) to linear sRGB, row-major 3x3; absent for gray and for sRGB itself. */
  readonly toSrgb?: readonly number[];
}

export const SRGB_TONE: Tone = { curves: [srgbDecode], linear: false };
export const LINEAR_TONE: Tone = { curves: [(signal) => signal], linear: true };

/**
 * Reads the tone curves and primaries of a matrix profile (or the curve of a gray one).
 * @returns undefined for profiles of other kinds or damaged ones
 * @source ICC.1:2010 sections 7.2, 7.3, 10.5 (curveType), 10.15 (parametricCurveType), 10.30 (XYZType)
 */
export function toneOfProfile(profile: Uint8Array | undefined): Tone | undefined {
  if (profile === undefined || profile.byteLength < 132 || !hasText(profile, 36, 'acsp')) return undefined;
  const view = new DataView(profile.buffer, profile.byteOffset, profile.byteLength);
  const tags = new Map<string, { at: number; size: number }>();
  const count = Math.min(100, view.getUint32(128));
  for (let i = 0; i < count && 144 + 12 * i <= profile.byteLength; i++) {
    const entry = 132 + 12 * i;
    const name = String.fromCharCode(...profile.subarray(entry, entry + 4));
    const [at, size] = [view.getUint32(entry + 4), view.getUint32(entry + 8)];
    if (at + size <= profile.byteLength) tags.set(name, { at, size });
  }
  const curves: ((signal: number) => number)[] = [];
  for (const name of tags.has('kTRC') ? ['kTRC'] : ['rTRC', 'gTRC', 'bTRC']) {
    const tag = tags.get(name);
    const curve = tag && readCurve(view, tag.at, tag.size);
    if (curve === undefined) return undefined;
    curves.push(curve);
  }
  // Profiles hold the sRGB curve as a rounded table; the formula is what it means, also near black.
  curves.forEach((curve, i) => {
    if (PROBES.every((x) => Math.abs(curve(x) - srgbDecode(x)) < 1e-4)) curves[i] = srgbDecode;
  });
  const linear = curves.every((curve) => [0.01, 0.1, 0.5, 0.9].every((x) => Math.abs(curve(x) - x) < 1e-4));
  if (curves.length === 1) return { curves, linear };
  const columns = ['rXYZ', 'gXYZ', 'bXYZ'].map((name) => {
    const tag = tags.get(name);
    return tag && tag.size >= 20 ? [8, 12, 16].map((o) => view.getInt32(tag.at + o) / 65536) : undefined;
  });
  if (!columns.every((column) => column !== undefined)) return { curves, linear };
  const toSrgb = multiply(invert3(transpose(SRGB_D50.flat())) ?? [], transpose(columns.flat() as number[]));
  const isSrgb = toSrgb.every((value, i) => Math.abs(value - (i % 4 === 0 ? 1 : 0)) < 0.01);
  return isSrgb || toSrgb.some(Number.isNaN) ? { curves, linear } : { curves, linear, toSrgb };
}

/** Signals at which a curve is compared with a known one. */
const PROBES = Array.from({ length: 65 }, (_, i) => i / 64);

function readCurve(view: DataView, at: number, size: number): ((signal: number) => number) | undefined {
  if (size < 12) return undefined;
  const type = view.getUint32(at);
  if (type === 0x63757276) {
    // 'curv'
    const count = view.getUint32(at + 8);
    if (count === 0) return (x) => x;
    if (12 + 2 * count > size) return undefined;
    if (count === 1) {
      const gamma = view.getUint16(at + 12) / 256;
      return (x) => x ** gamma;
    }
    return (x) => {
      const place = x * (count - 1);
      const low = Math.min(count - 2, Math.floor(place));
      const a = view.getUint16(at + 12 + 2 * low);
      const b = view.getUint16(at + 14 + 2 * low);
      return (a + (place - low) * (b - a)) / 65535;
    };
  }
  if (type !== 0x70617261) return undefined; // 'para'
  const kind = view.getUint16(at + 8);
  const need = [1, 3, 4, 5, 7][kind];
  if (need === undefined || 12 + 4 * need > size) return undefined;
  const p = Array.from({ length: need }, (_, i) => view.getInt32(at + 12 + 4 * i) / 65536);
  const [g, a = 1, b = 0, c = 0, d = 0, e = 0, f = 0] = p as [number, ...number[]];
  switch (kind) {
    case 0:
      return (x) => x ** g;
    case 1:
      return (x) => (x >= -b / a ? (a * x + b) ** g : 0);
    case 2:
      return (x) => (x >= -b / a ? (a * x + b) ** g + c : c);
    case 3:
      return (x) => (x >= d ? (a * x + b) ** g : c * x);
    default:
      return (x) => (x >= d ? (a * x + b) ** g + e : c * x + f);
  }
}

/** Light of every code of a depth, scaled so that the highest code is 65535: one table for each curve. */
export function lightTables(tone: Tone, codes: number): Float32Array[] {
  return tone.curves.map((curve) =>
    Float32Array.from({ length: codes }, (_, i) => 65535 * curve(i / (codes - 1))),
  );
}

export function transpose(m: readonly number[]): number[] {
  return [0, 3, 6, 1, 4, 7, 2, 5, 8].map((i) => m[i]!);
}

/** Product of two row-major 3x3 matrices. */
export function multiply(a: readonly number[], b: readonly number[]): number[] {
  return Array.from({ length: 9 }, (_, i) => {
    const [row, column] = [Math.floor(i / 3), i % 3];
    return a[3 * row]! * b[column]! + a[3 * row + 1]! * b[3 + column]! + a[3 * row + 2]! * b[6 + column]!;
  });
}
