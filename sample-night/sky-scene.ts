import {
  type ColorImage,
  type FrameHeader,
  type FramePixels,
  type Mask,
  radToDeg,
} from '../src/core/index.js';
import { frameGeometry, multiply, pixelToSky, starToPixel, transpose } from './_geometry.js';
import { judge } from './_judge.js';
import { type LandLayer, landLayer, type Panorama, paintPanorama } from './_land.js';
import { type LensGrid, lensGrid } from './_lens-grid.js';
import { collectFlat, collectLight } from './_light.js';
import { hash } from './_noise.js';
import { electronsPerSecond, naturalSky } from './_photometry.js';
import type { FrameScene } from './_scene.js';
import { makeSensor, readOut, type Sensor } from './_sensor.js';
import { skyGlow } from './_sky-glow.js';
import { type StarField, starField } from './_star-field.js';
import { shakeShift } from './_star-light.js';
import {
  asPixels,
  headerOf,
  landMask,
  noiseFree,
  type SmoothSky,
  skyNodes,
  smoothSky,
  type TrueStars,
  trueStars,
} from './_views.js';
import { gainOf, type NightScenario, realExposure, type Shot } from './night-scenario.js';
import { type SimulatedStars, type StarTableOptions, simulateStarTable } from './star-table.js';
import { type FrameTruth, frameTruth, type NightTruth, nightTruth } from './truth.js';

export { headerOf, JPEG_STOPS, type SmoothSky, type TrueStars } from './_views.js';

/** A frame that is worked out when asked for. */
export interface SimulatedFrame {
  readonly index: number;
  readonly shot: Shot;
  readonly header: FrameHeader;
  readonly truth: FrameTruth;
  /** Raw ADU, black still in, row-major: always the same for the same scenario. */
  readonly render: () => Uint16Array;
  /** The same frame as readers hand it over; a finished 8-bit picture brought back to linear where the scenario says JPEG. */
  readonly pixels: () => FramePixels;
  /** Sky and land without noise or defects, ADU above black, all three colours everywhere. */
  readonly noiseFree: () => ColorImage;
  /** The sky's smooth light, and the Milky Way's part of it. */
  readonly smoothSky: () => SmoothSky;
  /** 1 = land. */
  readonly landMask: () => Mask;
  /** Stars brighter than `minFlux` (ADU, default 20) on the sky part of the frame. */
  readonly stars: (minFlux?: number) => TrueStars;
  /** What a good measurement of the frame would give, without pixels. */
  readonly starTable: (options?: StarTableOptions) => SimulatedStars;
}

/** A whole night, worked out lazily. */
export interface SimulatedNight {
  readonly scenario: NightScenario;
  readonly frames: readonly SimulatedFrame[];
  readonly truth: NightTruth;
  /** The place on frame `to` that shows the sky of (x, y) on frame `from`: the middles of the light, so mid-exposure and the mean of any shake. */
  readonly mapPoint: (from: number, to: number, x: number, y: number) => readonly [number, number];
}

/** Keeps the last few results of a costly function of a key. */
function remember<T>(size: number, make: (key: string) => T): (key: string) => T {
  const kept = new Map<string, T>();
  return (key) => {
    const found = kept.get(key);
    if (found !== undefined) return found;
    const made = make(key);
    kept.set(key, made);
    if (kept.size > size) kept.delete(kept.keys().next().value!);
    return made;
  };
}

function lazy<T>(make: () => T): () => T {
  let value: { readonly made: T } | undefined;
  return () => {
    value ??= { made: make() };
    return value.made;
  };
}

/** Circle that holds every star any light of the night may see. */
function skyCircle(scenario: NightScenario): { center: [number, number, number]; radius: number } {
  const { width, height } = scenario.camera;
  const axes: [number, number, number][] = [];
  let half = 0;
  const seen = scenario.shots.filter((shot) => shot.role === 'light' || shot.role === 'test');
  for (const shot of seen) {
    const geometry = frameGeometry(scenario, shot);
    const sky = geometry.skyAt(shot.time);
    const axis = pixelToSky(geometry, sky, (width - 1) / 2, (height - 1) / 2);
    axes.push(axis);
    if (axes.length > 1) continue;
    for (const [x, y] of [
      [0, 0],
      [width, 0],
      [0, height],
      [width, height],
    ] as const) {
      const v = pixelToSky(geometry, sky, x, y);
      half = Math.max(half, angleBetween(axis, v));
    }
  }
  const sum = [0, 1, 2].map((i) => axes.reduce((total, a) => total + a[i]!, 0));
  const norm = Math.hypot(sum[0]!, sum[1]!, sum[2]!) || 1;
  const center: [number, number, number] = [sum[0]! / norm, sum[1]! / norm, sum[2]! / norm];
  const spread = axes.reduce((most, a) => Math.max(most, angleBetween(center, a)), 0);
  return { center, radius: Math.min(180, half + spread + 3) };
}

const angleBetween = (a: readonly number[], b: readonly number[]): number =>
  radToDeg(Math.acos(Math.min(1, Math.max(-1, a[0]! * b[0]! + a[1]! * b[1]! + a[2]! * b[2]!))));

/** Magnitude at which a star is twice as strong as the noise of the pixels it lies on. */
function faintestWorthDrawing(scenario: NightScenario): number {
  if (scenario.sky.faintest !== undefined) return scenario.sky.faintest;
  const longest = scenario.shots.reduce(
    (most, shot) => (shot.role === 'light' ? Math.max(most, realExposure(shot)) : most),
    1,
  );
  const noise = Math.sqrt(9 * (naturalSky(scenario) * longest + scenario.camera.readNoise ** 2));
  return Math.min(12, -2.5 * Math.log10((2 * noise) / (electronsPerSecond(scenario) * longest)));
}

/** Builds a night. Cheap: stars, sensor, land and frames are worked out when first needed. */
export function simulateNight(scenario: NightScenario): SimulatedNight {
  const field = lazy<StarField>(() =>
    starField(scenario.camera, skyCircle(scenario), faintestWorthDrawing(scenario)),
  );
  const sensor = lazy<Sensor>(() => makeSensor(scenario));
  const geometries = remember(64, (key) => frameGeometry(scenario, scenario.shots[Number(key)]!));
  const gridFor = remember(2, (scale): LensGrid => {
    const shot = { ...scenario.shots[0]!, scale: Number(scale) };
    return lensGrid(scenario, frameGeometry(scenario, shot));
  });
  const grid = (shot: Shot) => gridFor(String(shot.scale ?? 1));
  const panorama = lazy<Panorama | undefined>(() => {
    const base: Shot = { ...scenario.shots[0]!, role: 'light', scale: 1 };
    const { head: _head, pointing: _pointing, ...plain } = base;
    const geometry = frameGeometry(scenario, plain);
    return paintPanorama(scenario, geometry, grid(plain));
  });
  const framing = (shot: Shot) => JSON.stringify([shot.head, shot.pointing, shot.scale]);
  const layers = remember(2, (key): LandLayer | undefined => {
    const shot = scenario.shots.find((candidate) => framing(candidate) === key)!;
    const land = panorama();
    return land && landLayer(scenario, land, frameGeometry(scenario, shot), grid(shot));
  });
  const visibleNodes = remember(2, (key): Uint8Array => {
    const shot = scenario.shots.find((candidate) => framing(candidate) === key)!;
    return skyNodes(scenario, frameGeometry(scenario, shot), grid(shot), layers(key));
  });
  const scenes = remember(1, (key): FrameScene => {
    const shot = scenario.shots[Number(key)]!;
    const geometry = geometries(key);
    return {
      scenario,
      shot,
      geometry,
      grid: grid(shot),
      stars: field(),
      glow: skyGlow({
        scenario,
        shot,
        geometry,
        grid: grid(shot),
        visible: visibleNodes(framing(shot)),
        time: shot.time + realExposure(shot) / 2,
      }),
      land: layers(framing(shot)),
    };
  });
  const verdicts = lazy(() => judge(scenario));
  const frames = scenario.shots.map((shot, index): SimulatedFrame => {
    const scene = () => scenes(String(index));
    const render = (): Uint16Array => {
      const seconds = realExposure(shot);
      let light: Float32Array | undefined;
      if (shot.role === 'flat') {
        const full = (scenario.camera.whiteLevel - scenario.camera.blackLevel) * gainOf(scenario, shot);
        light = collectFlat({ scenario, grid: grid(shot) }, 0.42 * full);
      } else if (shot.role === 'light' || shot.role === 'test') {
        light = collectLight(scene());
      }
      return readOut(scenario, sensor(), { shot, seconds, light, seed: hash(scenario.seed, index, 555) });
    };
    return {
      index,
      shot,
      header: headerOf(scenario, shot),
      get truth() {
        return frameTruth({
          scenario,
          shot,
          index,
          geometry: geometries(String(index)),
          judged: verdicts()[index]!,
        });
      },
      render,
      pixels: () => asPixels(scenario, render()),
      noiseFree: () => noiseFree(scene()),
      smoothSky: () => {
        const { geometry, grid: own } = scene();
        const glowOf = (sky: Partial<NightScenario['sky']>) =>
          skyGlow({
            ...{ scenario: { ...scenario, sky: { ...scenario.sky, ...sky } }, shot, geometry, grid: own },
            visible: visibleNodes(framing(shot)),
            time: shot.time + realExposure(shot) / 2,
          });
        return smoothSky(scene(), glowOf({ milkyWay: 0 }), glowOf({ milkyWay: 0, airglowBands: 0 }));
      },
      landMask: () => landMask(scenario, layers(framing(shot))),
      stars: (minFlux = 20) => trueStars(scene(), minFlux),
      starTable: (options) => simulateStarTable(scene(), index, options),
    };
  });
  return {
    scenario,
    frames,
    get truth() {
      return nightTruth(scenario, frames, sensor());
    },
    mapPoint: (from, to, x, y) => {
      const a = scenario.shots[from]!;
      const b = scenario.shots[to]!;
      const ga = geometries(String(from));
      const gb = geometries(String(to));
      const [fx, fy] = shakeShift(a);
      const [tx, ty] = shakeShift(b);
      const seen = pixelToSky(ga, ga.skyAt(a.time + realExposure(a) / 2), x - fx, y - fy);
      const out = new Float64Array(3);
      starToPixel(gb, gb.skyAt(b.time + realExposure(b) / 2), ...seen, out);
      return [out[0]! + tx, out[1]! + ty];
    },
  };
}

/** Row-major rotation that takes directions in frame `from`'s camera axes to frame `to`'s, refraction left out. */
export function frameRotation(scenario: NightScenario, from: number, to: number): number[] {
  const matrices = [from, to].map((index) => {
    const shot = scenario.shots[index]!;
    const geometry = frameGeometry(scenario, shot);
    return { camera: geometry.camera, sky: geometry.skyAt(shot.time + realExposure(shot) / 2) };
  });
  const [a, b] = matrices as [(typeof matrices)[0], (typeof matrices)[0]];
  return multiply(multiply(b.camera, b.sky), multiply(transpose(a.sky), transpose(a.camera)));
}
