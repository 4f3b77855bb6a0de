import type { Plane } from '../core/index.js';

/** Brings a plane to 8 bits as the map files hold it: 0 = 0, 255 = `top` and above; NaN = 0. */
export function toMap(plane: Plane, top: number): Uint8Array {
  const out = new Uint8Array(plane.data.length);
  const scale = 255 / top;
  for (let i = 0; i < out.length; i++) {
    const value = plane.data[i]! * scale;
    out[i] = value > 0 ? Math.min(255, value + 0.5) : 0;
  }
  return out;
}
