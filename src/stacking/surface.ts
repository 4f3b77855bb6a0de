import type { CoarseMap, Surface } from './types.js';

/** Centre and half-width that put `Surface` coordinates into about -1..1. */
export function surfaceScale(
  width: number,
  height: number,
): {
  readonly centerX: number;
  readonly centerY: number;
  readonly radius: number;
} {
  return { centerX: (width - 1) / 2, centerY: (height - 1) / 2, radius: Math.max(width, height) / 2 };
}

/** Value of a surface at a pixel, ADU. */
export function surfaceAt(
  surface: Surface,
  x: number,
  y: number,
  scale: { readonly centerX: number; readonly centerY: number; readonly radius: number },
): number {
  const u = (x - scale.centerX) / scale.radius;
  const v = (y - scale.centerY) / scale.radius;
  const [c0, c1, c2, c3, c4, c5] = surface;
  return c0 + (c2 + c5 * v) * v + (c1 + c4 * v + c3 * u) * u;
}

/** Value of a coarse map at a pixel, by bilinear interpolation between cell centres, flat beyond the outer ones. */
export function coarseMapAt(map: CoarseMap, x: number, y: number, width: number, height: number): number {
  const u = Math.max(0, Math.min(map.columns - 1, ((x + 0.5) / width) * map.columns - 0.5));
  const v = Math.max(0, Math.min(map.rows - 1, ((y + 0.5) / height) * map.rows - 0.5));
  const i = Math.min(Math.floor(u), Math.max(0, map.columns - 2));
  const j = Math.min(Math.floor(v), Math.max(0, map.rows - 2));
  const at = (di: number, dj: number): number =>
    map.data[Math.min(map.rows - 1, j + dj) * map.columns + Math.min(map.columns - 1, i + di)]!;
  const top = at(0, 0) + (at(1, 0) - at(0, 0)) * (u - i);
  const bottom = at(0, 1) + (at(1, 1) - at(0, 1)) * (u - i);
  return top + (bottom - top) * (v - j);
}
