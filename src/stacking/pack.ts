/**
 * Two bytes a pixel for the scratch file: value = (u - offset) * scale, u in 1..65535, 0 = no data. A step
 * of a quarter ADU on a 14-bit camera adds 0.08 ADU of noise, well under any read noise.
 */
export interface PackRange {
  /** ADU per step. */
  readonly scale: number;
  /** The u that stands for 0 ADU. */
  readonly offset: number;
}

/** Share of the range kept for values below black (noise and over-corrected defects). */
const NEGATIVE_SHARE = 1 / 32;

/**
 * Chooses the range for calibrated pixels.
 *
 * @param white highest white level above black, ADU
 * @param gain greatest factor that flat or falloff correction applied, >= 1
 */
export function packRange(white: number, gain = 1): PackRange {
  const top = white * Math.max(1, gain);
  const steps = 65534;
  const scale = (top * (1 + NEGATIVE_SHARE)) / steps;
  return { scale, offset: 1 + Math.round((top * NEGATIVE_SHARE) / scale) };
}

/** Packs ADU to two bytes; NaN becomes 0, values beyond the range its ends. */
export function pack(values: Float32Array, range: PackRange, out?: Uint16Array): Uint16Array {
  const packed = out ?? new Uint16Array(values.length);
  const { offset } = range;
  const perStep = 1 / range.scale;
  for (let i = 0; i < values.length; i++) {
    const value = values[i]!;
    // Half a step is added because the store cuts off; NaN becomes 0 there.
    packed[i] = Math.min(65535, Math.max(1, value * perStep + offset + 0.5));
  }
  return packed;
}

/** Undoes `pack` up to half a step; 0 becomes NaN. The same rounding as the kernel that tiles use. */
export function unpack(packed: Uint16Array, range: PackRange): Float32Array {
  const values = new Float32Array(packed.length);
  const offset = Math.fround(range.offset);
  const scale = Math.fround(range.scale);
  for (let i = 0; i < packed.length; i++) {
    values[i] = packed[i] === 0 ? Number.NaN : Math.fround(packed[i]! - offset) * scale;
  }
  return values;
}
