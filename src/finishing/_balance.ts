import type { Look, StackColor } from './types.js';

const IDENTITY = [1, 0, 0, 0, 1, 0, 0, 0, 1];

export interface Balanced {
  /** Camera colour to linear sRGB with balance, row-major 3x3. */
  readonly matrix: readonly number[];
  /** Highest value that every colour can reach once balanced, ADU: above it a star is white, not magenta (L06). */
  readonly clip: number;
  readonly multipliers: readonly [number, number, number];
}

export function balance(stack: StackColor): Balanced {
  const multipliers = stack.color?.multipliers ?? [1, 1, 1];
  const matrix = stack.color?.cameraToSrgb ?? IDENTITY;
  const clip = Math.min(...multipliers.map((m, color) => m * stack.whiteLevel[color]!));
  return { matrix, clip, multipliers };
}

/** The stack's colour with as much of the stars' own balance as the look asks for. */
export function balancedByStars<T extends StackColor>(stack: T, look: Pick<Look, 'starBalance'>): T {
  const { starBalance, color } = stack;
  if (!starBalance || !color || look.starBalance === 0) return stack;
  const [red, green, blue] = color.multipliers;
  const factor = (full: number): number => full ** look.starBalance;
  const multipliers = [red * factor(starBalance.red), green, blue * factor(starBalance.blue)] as const;
  return { ...stack, color: { ...color, multipliers } };
}

export function toSrgb(balanced: Balanced, r: number, g: number, b: number, out: Float64Array): void {
  const { matrix: m, multipliers, clip } = balanced;
  const x = Math.min(r * multipliers[0], clip);
  const y = Math.min(g * multipliers[1], clip);
  const z = Math.min(b * multipliers[2], clip);
  out[0] = m[0]! * x + m[1]! * y + m[2]! * z;
  out[1] = m[3]! * x + m[4]! * y + m[5]! * z;
  out[2] = m[6]! * x + m[7]! * y + m[8]! * z;
}
