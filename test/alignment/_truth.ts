import type { AlignFrame } from '../../src/alignment/index.js';
import { gaussian, makeStarTable, type Random, STAR_FLAGS, seededRandom } from '../../src/core/index.js';

/** A night of which everything is known. Angles deg, times s, lengths px unless the name says otherwise. */
export interface Scene {
  readonly seed: number;
  readonly focalMm: number;
  readonly sensorMm: number;
  readonly width: number;
  readonly height: number;
  readonly latitude: number;
  readonly azimuth: number;
  readonly altitude: number;
  readonly roll?: number;
  readonly frames: number;
  readonly cadence: number;
  /** Stars seen on an average frame. */
  readonly stars: number;
  /** Share of false detections. */
  readonly falseShare?: number;
  /** Relative displacement at the corner: negative = barrel. */
  readonly distortion?: number;
  /** How the lens shows directions; default rectilinear. Fisheyes bend by `distortion` besides. */
  readonly projection?: 'rectilinear' | 'equidistant' | 'equisolid' | 'stereographic';
  /** Form of the true lens: the model's own, the division model, or Brown with higher terms and decentring. */
  readonly form?: 'brown' | 'division' | 'higher';
  /** Offset of the optical axis from the middle. */
  readonly center?: readonly [number, number];
  readonly refraction?: boolean;
  /** Camera tilt over the whole run, px at the centre. */
  readonly sag?: number;
  /** Frame at which the tripod was knocked, and by how much, px. */
  readonly knock?: readonly [number, number];
  /** Frames left out of the run: [first, count]. */
  readonly gap?: readonly [number, number];
  /** Frames with a third of the picture under cloud: [first, count]. */
  readonly cloud?: readonly [number, number];
  /** Growth of the focal length over the run, fraction: a zoom that creeps. */
  readonly creep?: number;
  /** Centroids as good as stated; 0 = perfect. */
  readonly noise?: number;
  /** Clock quantised to whole seconds as headers are; default true. */
  readonly wholeSeconds?: boolean;
  readonly exposure?: number;
}

export interface TruthNight {
  readonly scene: Scene;
  readonly frames: AlignFrame[];
  readonly focalPx: number;
  /** Exact place on frame j of what frame i shows at (x, y). */
  readonly map: (i: number, j: number, x: number, y: number) => [number, number];
  /** Exact place on frame j of the land that frame i shows at (x, y). */
  readonly mapLand: (i: number, j: number, x: number, y: number) => [number, number];
  /** Angle between the optical axis of frame i and either pole, and that pole's place. */
  readonly pole: (i: number) => { x: number; y: number; direction: [number, number, number] };
  /** Apparent altitude of what frame i shows at (x, y), deg. */
  readonly altitude: (i: number, x: number, y: number) => number;
  /** True star of each row of each frame, -1 = false detection. */
  readonly identity: Int32Array[];
  readonly trail: (i: number, x: number, y: number, exposure: number) => [number, number];
}

type V = [number, number, number];
const RAD = Math.PI / 180;
const RATE = (360 / 86164.0905) * RAD;
const dot = (a: V, b: V) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
const cross = (a: V, b: V): V => [
  a[1] * b[2] - a[2] * b[1],
  a[2] * b[0] - a[0] * b[2],
  a[0] * b[1] - a[1] * b[0],
];
const unit = (a: V): V => {
  const n = Math.hypot(...a);
  return [a[0] / n, a[1] / n, a[2] / n];
};
/** Rodrigues' formula on a vector. */
function spin(v: V, axis: V, angle: number): V {
  const c = Math.cos(angle);
  const s = Math.sin(angle);
  const k = dot(axis, v) * (1 - c);
  const w = cross(axis, v);
  return [
    v[0] * c + w[0] * s + axis[0] * k,
    v[1] * c + w[1] * s + axis[1] * k,
    v[2] * c + w[2] * s + axis[2] * k,
  ];
}

/** Saemundsson's refraction in east-north-up axes. */
function lift(d: V): V {
  const h = Math.max(-1, Math.asin(d[2]) / RAD);
  const r = (1.02 / 60 / Math.tan((h + 10.3 / (h + 5.11)) * RAD)) * RAD;
  const flat = Math.hypot(d[0], d[1]);
  const alt = Math.asin(d[2]) + r;
  return [(d[0] / flat) * Math.cos(alt), (d[1] / flat) * Math.cos(alt), Math.sin(alt)];
}
function drop(d: V): V {
  let g = d;
  for (let i = 0; i < 12; i++) {
    const l = lift(g);
    g = unit([g[0] + d[0] - l[0], g[1] + d[1] - l[1], g[2] + d[2] - l[2]]);
  }
  return g;
}

/** Fisheyes show no more than this off the axis, rad. */
const MOST_OFF_AXIS = 100 * RAD;
/** Radius in focal lengths by angle and back. @source K. Miyamoto, J. Opt. Soc. Am. 54 (1964) 1060 */
const fisheyeOf = {
  equidistant: (theta: number) => theta,
  equisolid: (theta: number) => 2 * Math.sin(theta / 2),
  stereographic: (theta: number) => 2 * Math.tan(theta / 2),
};
const angleOf = {
  equidistant: (r: number) => r,
  equisolid: (r: number) => 2 * Math.asin(r / 2),
  stereographic: (r: number) => 2 * Math.atan(r / 2),
};

export function makeNight(scene: Scene): TruthNight {
  const random = seededRandom(scene.seed);
  const { width, height } = scene;
  const focalPx = (scene.focalMm / scene.sensorMm) * width;
  const cx = (width - 1) / 2 + (scene.center?.[0] ?? 0);
  const cy = (height - 1) / 2 + (scene.center?.[1] ?? 0);
  const corner = Math.hypot(width, height) / 2 / focalPx;
  const strength = scene.distortion ?? 0;

  // The true lens, ideal tangent plane -> px.
  const bend = (u: number, v: number): [number, number] => {
    const r2 = u * u + v * v;
    const form = scene.form ?? 'brown';
    if (form === 'brown') {
      const k1 = (strength * 1.25) / corner ** 2;
      const k2 = (-strength * 0.25) / corner ** 4;
      const f = 1 + k1 * r2 + k2 * r2 * r2;
      return [u * f, v * f];
    }
    if (form === 'division') {
      // r_ideal = r_real / (1 + l r_real^2): solved for r_real; l from the wanted bend at the corner.
      const real = corner * (1 + strength);
      const l = (real / corner - 1) / (real * real);
      const r = Math.sqrt(r2);
      const disc = 1 - 4 * l * r2;
      const f = Math.abs(l * r) < 1e-9 ? 1 : (1 - Math.sqrt(disc)) / (2 * l * r) / r;
      return [u * f, v * f];
    }
    const k1 = (strength * 1.5) / corner ** 2;
    const k2 = (-strength * 0.9) / corner ** 4;
    const k3 = (strength * 0.5) / corner ** 6;
    const k4 = (-strength * 0.1) / corner ** 8;
    const p1 = 4e-4 / corner;
    const p2 = -3e-4 / corner;
    const f = 1 + r2 * (k1 + r2 * (k2 + r2 * (k3 + r2 * k4)));
    return [u * f + 2 * p1 * u * v + p2 * (r2 + 2 * u * u), v * f + p1 * (r2 + 2 * v * v) + 2 * p2 * u * v];
  };
  const fisheye = scene.projection === 'rectilinear' ? undefined : scene.projection;
  const show = (d: V, scale = 1): [number, number] => {
    let u = d[0] / d[2];
    let v = d[1] / d[2];
    if (fisheye) {
      const theta = Math.atan2(Math.hypot(d[0], d[1]), d[2]);
      if (theta > MOST_OFF_AXIS) return [Number.NaN, Number.NaN];
      const r = fisheyeOf[fisheye](theta) / Math.max(1e-12, Math.hypot(d[0], d[1]));
      u = d[0] * r;
      v = d[1] * r;
    } else if (d[2] < 0.02) return [Number.NaN, Number.NaN];
    // Beyond one and a third times the corner no lens form means anything.
    if (Math.hypot(u, v) > 1.3 * corner) return [Number.NaN, Number.NaN];
    const [a, b] = bend(u, v);
    return [cx + scale * focalPx * a, cy + scale * focalPx * b];
  };
  const see = (x: number, y: number, scale = 1): V => {
    const a = (x - cx) / focalPx / scale;
    const b = (y - cy) / focalPx / scale;
    let u = a;
    let v = b;
    for (let i = 0; i < 60; i++) {
      const [p, q] = bend(u, v);
      u += 0.9 * (a - p);
      v += 0.9 * (b - q);
      if (Math.hypot(a - p, b - q) < 1e-13) break;
    }
    if (!fisheye) return unit([u, v, 1]);
    const r = Math.hypot(u, v);
    const theta = angleOf[fisheye](r);
    if (!(theta <= MOST_OFF_AXIS)) return [Number.NaN, Number.NaN, Number.NaN];
    const across = r < 1e-12 ? 1 : Math.sin(theta) / r;
    return [u * across, v * across, Math.cos(theta)];
  };

  // Camera axes in east-north-up.
  const az = scene.azimuth * RAD;
  const alt = scene.altitude * RAD;
  const forward: V = [Math.sin(az) * Math.cos(alt), Math.cos(az) * Math.cos(alt), Math.sin(alt)];
  const level: V = [Math.cos(az), -Math.sin(az), 0];
  const roll = (scene.roll ?? 0) * RAD;
  const right = spin(level, forward, roll);
  const down = cross(forward, right);
  const ncp: V = [0, Math.cos(scene.latitude * RAD), Math.sin(scene.latitude * RAD)];

  const indexes: number[] = [];
  for (let i = 0; i < scene.frames; i++) {
    if (scene.gap && i >= scene.gap[0] && i < scene.gap[0] + scene.gap[1]) continue;
    indexes.push(i);
  }
  const exposure = scene.exposure ?? Math.min(scene.cadence, 15);
  const start = random();
  const times = indexes.map((i) => start + i * scene.cadence);
  const span = Math.max(1, times[times.length - 1]! - times[0]!);
  const creep = (n: number): number => 1 + (scene.creep ?? 0) * ((times[n]! - times[0]!) / span);
  const tilt = (n: number): { axis: V; angle: number }[] => {
    const moves: { axis: V; angle: number }[] = [];
    if (scene.sag) {
      const share = (times[n]! - times[0]!) / span;
      moves.push({ axis: unit([1, 0.15, 0.1]), angle: ((scene.sag / focalPx) * (share + share ** 2)) / 2 });
    }
    if (scene.knock && indexes[n]! >= scene.knock[0]) {
      moves.push({ axis: unit([0.5, 0.8, 0.3]), angle: scene.knock[1] / focalPx });
    }
    return moves;
  };
  const toCamera = (n: number, d: V): V => {
    let c: V = [dot(right, d), dot(down, d), dot(forward, d)];
    for (const { axis, angle } of tilt(n)) c = spin(c, axis, angle);
    return c;
  };
  const fromCamera = (n: number, c: V): V => {
    let d = c;
    for (const { axis, angle } of [...tilt(n)].reverse()) d = spin(d, axis, -angle);
    return [0, 1, 2].map((k) => right[k]! * d[0] + down[k]! * d[1] + forward[k]! * d[2]) as V;
  };
  const bent = (d: V): V => (scene.refraction ? lift(d) : d);
  const unbent = (d: V): V => (scene.refraction ? drop(d) : d);
  const place = (n: number, sky: V, extra = 0): [number, number] =>
    show(toCamera(n, bent(spin(sky, ncp, -RATE * (times[n]! + extra)))), creep(n));
  const skyAt = (n: number, x: number, y: number): V =>
    spin(unbent(fromCamera(n, see(x, y, creep(n)))), ncp, RATE * times[n]!);

  // Stars over the whole sky, kept when any frame shows them, until the middle frame shows the wanted number.
  const sky: V[] = [];
  const brightness: number[] = [];
  const middle = times.length >> 1;
  for (let shown = 0, tries = 0; shown < scene.stars && tries < 3e6; tries++) {
    const z = 2 * random() - 1;
    const p = 2 * Math.PI * random();
    const d: V = [Math.sqrt(1 - z * z) * Math.cos(p), Math.sqrt(1 - z * z) * Math.sin(p), z];
    const u = random();
    const seenBy = (n: number) => {
      const [x, y] = place(n, d);
      return x > 2 && y > 2 && x < width - 3 && y < height - 3;
    };
    const now = seenBy(middle) && bent(spin(d, ncp, -RATE * times[middle]!))[2] > 0.01;
    if (!now && ![0, times.length >> 2, (3 * times.length) >> 2, times.length - 1].some(seenBy)) continue;
    if (now) shown++;
    sky.push(d);
    brightness.push(8 / (0.004 + 0.996 * u) ** 0.75);
  }
  const hot = Array.from(
    { length: Math.round(scene.stars) },
    () => [random() * width, random() * height] as const,
  );
  const identity: Int32Array[] = [];
  const frames = times.map((time, n) => {
    const rows: { x: number; y: number; snr: number; error: number; who: number }[] = [];
    const clouded =
      scene.cloud && indexes[n]! >= scene.cloud[0] && indexes[n]! < scene.cloud[0] + scene.cloud[1];
    sky.forEach((d, s) => {
      const apparent = bent(spin(d, ncp, -RATE * time));
      if (apparent[2] < 0.01) return;
      const [x, y] = show(toCamera(n, apparent), creep(n));
      if (!(x > 2 && y > 2 && x < width - 3 && y < height - 3)) return;
      if (clouded && x < width / 3) return;
      if (random() < 0.04) return;
      const snr = brightness[s]! * (0.9 + 0.2 * random());
      const error = (scene.noise ?? 1) * Math.hypot(0.03, 1.5 / snr);
      rows.push({ x: x + error * gaussian(random), y: y + error * gaussian(random), snr, error, who: s });
    });
    const share = scene.falseShare ?? 0;
    const falseCount = Math.round((rows.length * share) / (1 - share));
    for (let f = 0; f < falseCount; f++) {
      const snr = 8 / (0.004 + 0.996 * random()) ** 0.75;
      // Half of the false ones are defects that stay, half are noise and aircraft.
      const [x, y] = f % 2 === 0 ? hot[f % hot.length]! : ([random() * width, random() * height] as const);
      rows.push({ x: x + 0.05 * gaussian(random), y: y + 0.05 * gaussian(random), snr, error: 0.1, who: -1 });
    }
    rows.sort((a, b) => b.snr - a.snr);
    const table = makeStarTable(rows.length);
    rows.forEach((row, i) => {
      table.x[i] = row.x;
      table.y[i] = row.y;
      table.flux[i] = row.snr * 100;
      table.snr[i] = row.snr;
      table.positionError[i] = Math.max(0.02, Math.hypot(0.03, 1.5 / row.snr));
      table.flags[i] = row.x < 4 ? STAR_FLAGS.NEAR_EDGE.bit : 0;
    });
    identity.push(Int32Array.from(rows, (row) => row.who));
    return {
      id: `frame-${n}`,
      stars: table,
      time: scene.wholeSeconds === false ? time : Math.floor(time),
      exposureTime: exposure,
    };
  });
  return {
    scene,
    frames,
    focalPx,
    identity,
    map: (i, j, x, y) => place(j, skyAt(i, x, y)),
    mapLand: (i, j, x, y) => show(toCamera(j, fromCamera(i, see(x, y, creep(i)))), creep(j)),
    altitude: (i, x, y) => Math.asin(fromCamera(i, see(x, y, creep(i)))[2]) / RAD,
    pole: (i) => {
      const c = toCamera(i, ncp);
      const direction = (c[2] < 0 ? [-c[0], -c[1], -c[2]] : c) as V;
      const [x, y] = show(direction);
      return { x, y, direction };
    },
    trail: (i, x, y, seconds) => {
      const s = skyAt(i, x, y);
      const a = place(i, s, -seconds / 2);
      const b = place(i, s, seconds / 2);
      return [b[0] - a[0], b[1] - a[1]];
    },
  };
}

/** A few stray numbers for tests that need a source of chance. */
export const chance = (seed: number): Random => seededRandom(seed);
