import type { NightScenario, Shot } from '../../sample-night/index.js';

/**
 * The same night on a sensor of fewer and larger pixels and with every n-th light only: a sixth of the work and the
 * same view, sky, lens and happenings. Lengths in px shrink with the picture, but star images do not.
 */
export function smaller(scenario: NightScenario, width: number, every: number): NightScenario {
  const { camera, lens } = scenario;
  const share = width / camera.width;
  const even = (value: number) => 2 * Math.round((share * value) / 2);
  let light = 0;
  const shots = scenario.shots
    .filter(({ role }) => role !== 'light' || light++ % every === 0)
    .map(
      (shot): Shot => ({
        ...shot,
        ...(shot.head && { head: { ...shot.head, x: share * shot.head.x, y: share * shot.head.y } }),
        ...(shot.streaks && {
          streaks: shot.streaks.map((streak) => ({
            ...streak,
            ...{ x1: share * streak.x1, y1: share * streak.y1, x2: share * streak.x2, y2: share * streak.y2 },
          })),
        }),
      }),
    );
  return {
    ...scenario,
    camera: {
      ...camera,
      ...{
        width: even(camera.width),
        height: even(camera.height),
        pixelPitchUm: camera.pixelPitchUm / share,
      },
      hotPixels: Math.round(share ** 2 * camera.hotPixels),
      coldPixels: Math.round(share ** 2 * camera.coldPixels),
      // Larger pixels gather more current; the glow stays what it is against the sky.
      ampGlow: camera.ampGlow / share ** 2,
    },
    lens: {
      ...lens,
      shape: { ...lens.shape, offsetX: share * lens.shape.offsetX, offsetY: share * lens.shape.offsetY },
    },
    shots,
  };
}
