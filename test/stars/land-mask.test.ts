import { describe, expect, it } from 'vitest';
import { decimate, firstLandMask, measureFrame } from '../../src/stars/index.js';
import { agreement, allScenes, makeScene } from './_scenes.js';

const FULL = process.env.NIGHTCAIRN_FULL === '1';
/** One of each kind in the normal run: seeds of ridge, trees, tower, nothing, hardly any sky; black and lit; all ways up. */
const FEW = new Set([101, 105, 112, 120, 136, 139]);

describe('firstLandMask', () => {
  for (const options of allScenes().filter((o) => FULL || FEW.has(o.seed))) {
    it(`${options.skyline}, ${options.light}, orientation ${options.orientation} (scene ${options.seed}) is right in 98 % beyond 8 px`, () => {
      const scene = makeScene(FULL ? options : { ...options, frames: 3, width: 600, height: 400 });
      const { width, height } = scene.truth;
      const starTables = scene.planes.map(
        (plane) => measureFrame(plane, { saturation: 60_000, quantization: 1, streaks: false }).stars,
      );
      const mask = firstLandMask({
        width,
        height,
        planes: scene.planes,
        starTables,
        orientation: options.orientation,
      });
      expect(agreement(mask, scene.truth, 8)).toBeGreaterThanOrEqual(0.98); // the issue's own bound
    });
  }

  it('finds the ground without being told where it is, and from averaged planes', () => {
    const scene = makeScene({
      seed: 101,
      skyline: 'ridge',
      light: 'black',
      orientation: 6,
      frames: 3,
      width: 600,
      height: 400,
    });
    const { width, height } = scene.truth;
    const starTables = scene.planes.map(
      (plane) => measureFrame(plane, { saturation: 60_000, quantization: 1, streaks: false }).stars,
    );
    const planes = scene.planes.map((plane) => decimate(plane, 2));
    expect(
      agreement(firstLandMask({ width, height, planes, starTables }), scene.truth, 8),
    ).toBeGreaterThanOrEqual(0.98); // the issue's own bound
    const down = firstLandMask({ width, height, planes, starTables, orientation: 1, skyDown: [1, 0.2] });
    expect(agreement(down, scene.truth, 8)).toBeGreaterThanOrEqual(0.98); // skyDown outranks a wrong tag
  });
});
