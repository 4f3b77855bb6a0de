import { srgbDecode } from '../core/index.js';

/**
 * Small ICC profiles made from the published primaries, so that pictures carry their meaning with them.
 * @source ICC.1:2001-04 (version 2.4) sections 6 and 7: matrix/TRC display profile with desc, cprt, wtpt,
 * rXYZ, gXYZ, bXYZ and one shared curve.
 */

/** D50 of the profile connection space. @source ICC.1 section 7.2.16 */
const D50: readonly [number, number, number] = [0.9642, 1, 0.8249];

/**
 * sRGB primaries adapted to D50 by the Bradford transform, columns red, green, blue.
 * @source IEC 61966-2-1:1999 primaries; Bradford per ICC.1:2004-10 annex E; values as in the ICC's own sRGB v2 profile
 */
export const SRGB_D50: readonly (readonly [number, number, number])[] = [
  [0.43607, 0.22249, 0.01392],
  [0.38515, 0.71687, 0.09708],
  [0.14307, 0.06061, 0.7141],
];

const fourLetters = (text: string): number[] => [...text].map((letter) => letter.charCodeAt(0));

function s15Fixed16(view: DataView, at: number, value: number): void {
  view.setInt32(at, Math.round(value * 65536));
}

function block(type: string, size: number): { bytes: Uint8Array; view: DataView } {
  const bytes = new Uint8Array(size);
  bytes.set(fourLetters(type));
  return { bytes, view: new DataView(bytes.buffer) };
}

function xyz(values: readonly number[]): Uint8Array {
  const { bytes, view } = block('XYZ ', 20);
  values.forEach((value, i) => {
    s15Fixed16(view, 8 + 4 * i, value);
  });
  return bytes;
}

function description(text: string): Uint8Array {
  // ASCII part, then empty Unicode (8 bytes) and ScriptCode (2 + 1 + 67 bytes) parts (section 6.5.17).
  const { bytes, view } = block('desc', 12 + text.length + 1 + 8 + 70);
  view.setUint32(8, text.length + 1);
  bytes.set(fourLetters(text), 12);
  return bytes;
}

function copyright(text: string): Uint8Array {
  const { bytes } = block('text', 8 + text.length + 1);
  bytes.set(fourLetters(text), 8);
  return bytes;
}

/** The curve from code to light: sampled, or the identity when `samples` is 0 (section 6.5.3). */
function curve(samples: number, decode: (signal: number) => number): Uint8Array {
  const { bytes, view } = block('curv', 12 + 2 * samples);
  view.setUint32(8, samples);
  for (let i = 0; i < samples; i++) view.setUint16(12 + 2 * i, Math.round(65535 * decode(i / (samples - 1))));
  return bytes;
}

function profile(name: string, toneCurve: Uint8Array): Uint8Array {
  const parts: readonly (readonly [readonly string[], Uint8Array])[] = [
    [['desc'], description(name)],
    [['cprt'], copyright('No rights reserved')],
    [['wtpt'], xyz(D50)],
    [['rXYZ'], xyz(SRGB_D50[0]!)],
    [['gXYZ'], xyz(SRGB_D50[1]!)],
    [['bXYZ'], xyz(SRGB_D50[2]!)],
    [['rTRC', 'gTRC', 'bTRC'], toneCurve],
  ];
  const tagCount = parts.reduce((sum, [names]) => sum + names.length, 0);
  let end = 128 + 4 + 12 * tagCount;
  const places: { name: string; at: number; data: Uint8Array }[] = [];
  for (const [names, data] of parts) {
    for (const tag of names) places.push({ name: tag, at: end, data });
    end += (data.byteLength + 3) & ~3;
  }
  const bytes = new Uint8Array(end);
  const view = new DataView(bytes.buffer);
  view.setUint32(0, end);
  view.setUint32(8, 0x0240_0000);
  bytes.set(fourLetters('mntrRGB XYZ '), 12);
  // A fixed date: a profile never depends on when the tool ran.
  [2026, 1, 1, 0, 0, 0].forEach((value, i) => {
    view.setUint16(24 + 2 * i, value);
  });
  bytes.set(fourLetters('acsp'), 36);
  D50.forEach((value, i) => {
    s15Fixed16(view, 68 + 4 * i, value);
  });
  view.setUint32(128, tagCount);
  places.forEach(({ name: tag, at, data }, i) => {
    bytes.set(fourLetters(tag), 132 + 12 * i);
    view.setUint32(136 + 12 * i, at);
    view.setUint32(140 + 12 * i, data.byteLength);
    bytes.set(data, at);
  });
  return bytes;
}

/** ICC profile of sRGB (curve of 1024 samples). */
export const SRGB_ICC: Uint8Array = profile('sRGB IEC 61966-2-1', curve(1024, srgbDecode));

/** ICC profile of linear light with the sRGB primaries (L48). */
export const LINEAR_SRGB_ICC: Uint8Array = profile(
  'Linear light, sRGB primaries',
  curve(0, () => 0),
);
