import { toCamera } from './_color.js';
import type { FrameScene, Sites } from './_scene.js';
import { type Collector, splat } from './_splat.js';

/** Draws aircraft, satellites and meteors. Steady light for a satellite, blinking for an aircraft, swelling for a meteor. */
export function drawStreaks(scene: FrameScene, sites: Sites, to: Collector): void {
  const { scenario, shot } = scene;
  const convert = toCamera(scenario.camera);
  const light = new Float64Array(4);
  for (const streak of shot.streaks ?? []) {
    const length = Math.hypot(streak.x2 - streak.x1, streak.y2 - streak.y1);
    const ux = (streak.x2 - streak.x1) / length;
    const uy = (streak.y2 - streak.y1) / length;
    const spacing = 0.5;
    const spot = (
      at: number,
      side: number,
      strength: number,
      color: readonly [number, number, number],
      sigma: number,
    ) => {
      const camera = convert(color);
      for (let i = 0; i < 4; i++) light[i] = camera[sites[i]!]! * strength;
      splat(to, streak.x1 + ux * at - uy * side, streak.y1 + uy * at + ux * side, sigma, light);
    };
    const sigma = Math.hypot(scenario.lens.coreSigma, shot.defocus ?? 0);
    for (let at = 0; at <= length; at += spacing) {
      const tau = at / length;
      if (streak.kind === 'satellite') {
        const ends = Math.min(1, 12 * tau, 12 * (1 - tau));
        spot(at, 0, streak.brightness * spacing * ends, [1, 1, 1], sigma);
      } else if (streak.kind === 'meteor') {
        const swell = (tau * 1.9) ** 2 * Math.exp(-(((tau - 0.62) / 0.28) ** 2)) + 0.12 * tau * (1 - tau);
        const green = 1 - tau;
        spot(
          at,
          0,
          streak.brightness * spacing * swell * 1.6,
          [0.75 + 0.5 * tau, 1, 0.55 + 0.4 * green],
          sigma,
        );
      } else {
        spot(at, -1.3, streak.brightness * spacing * 0.5, [1.25, 0.95, 0.75], sigma);
        spot(at, 1.3, streak.brightness * spacing * 0.28, [2.2, 0.45, 0.35], sigma);
      }
    }
    if (streak.kind === 'aircraft') {
      for (let at = 9; at < length; at += 37) spot(at, 0, streak.brightness * 14, [1, 1, 1.1], sigma * 1.25);
    }
  }
}
