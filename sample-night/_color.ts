import { invert3 } from '../src/core/index.js';
import { XYZ_TO_SRGB } from '../src/sky/index.js';
import type { ScenarioCamera } from './night-scenario.js';

export type Rgb = readonly [number, number, number];

/** Turns linear sRGB into what the three kinds of pixels of a camera see. */
export function toCamera(camera: ScenarioCamera): (srgb: Rgb) => [number, number, number] {
  const back = invert3(camera.cameraToSrgb)!;
  const m = camera.multipliers;
  return ([r, g, b]) => [
    Math.max(0.01, back[0]! * r + back[1]! * g + back[2]! * b) / m[0],
    Math.max(0.01, back[3]! * r + back[4]! * g + back[5]! * b) / m[1],
    Math.max(0.01, back[6]! * r + back[7]! * g + back[8]! * b) / m[2],
  ];
}

/** CIE XYZ to raw camera colour, as a DNG states it. @source Adobe DNG Specification 1.4, ColorMatrix1. */
export function colorMatrixOf(camera: ScenarioCamera): number[] {
  const back = invert3(camera.cameraToSrgb)!;
  return Array.from({ length: 9 }, (_, k) => {
    const r = Math.floor(k / 3);
    const c = k % 3;
    let sum = 0;
    for (let j = 0; j < 3; j++) sum += back[r * 3 + j]! * XYZ_TO_SRGB[(j * 3 + c) as 0]!;
    return sum / camera.multipliers[r as 0 | 1 | 2]!;
  });
}
