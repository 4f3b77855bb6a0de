import { degToRad, SIDEREAL_RATE } from '../core/index.js';
import { checkPositive } from './_check.js';
import {
  apparentPlaces,
  celestialPole,
  galacticToEquatorial,
  type Horizontal,
  type Position,
  toHorizontal,
  unitVector,
} from './coordinates.js';

/** Where a level camera points and what its frame covers. The lens is taken as rectilinear. */
export interface Framing {
  /** Direction of the optical axis, deg. */
  readonly aim: Horizontal;
  readonly focalLengthMm: number;
  /** Size of the frame as it is held, mm: across and up. */
  readonly widthMm: number;
  readonly heightMm: number;
}

/** A place in the frame as shares of its width and height: (0, 0) top left, (1, 1) bottom right. */
export interface FramePoint {
  readonly x: number;
  readonly y: number;
}

type Vec3 = readonly [number, number, number];

const dot = (a: Vec3, b: Vec3): number => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
const cross = (a: Vec3, b: Vec3): Vec3 => [
  a[1] * b[2] - a[2] * b[1],
  a[2] * b[0] - a[0] * b[2],
  a[0] * b[1] - a[1] * b[0],
];

/** East, north, up of a direction. */
function direction({ azimuth, altitude }: Horizontal): Vec3 {
  const [north, east, up] = unitVector(azimuth, altitude);
  return [east, north, up];
}

/** Turns a direction on the sky by what the sky turns in `seconds`. @source Rodrigues' rotation formula */
function turned(v: Vec3, latitude: number, seconds: number): Vec3 {
  const pole = celestialPole(latitude);
  const axis: Vec3 = [-pole.east, -pole.north, -pole.up];
  const angle = degToRad((SIDEREAL_RATE * seconds) / 3600);
  const [c, s, k] = [Math.cos(angle), Math.sin(angle), dot(axis, v) * (1 - Math.cos(angle))];
  const w = cross(axis, v);
  return [
    v[0] * c + w[0] * s + axis[0] * k,
    v[1] * c + w[1] * s + axis[1] * k,
    v[2] * c + w[2] * s + axis[2] * k,
  ];
}

/** The camera's own axes in east, north, up. A camera that looks straight up has the azimuth's side at the bottom. */
interface Camera {
  readonly forward: Vec3;
  readonly right: Vec3;
  readonly up: Vec3;
  readonly framing: Framing;
}

function cameraOf(framing: Framing): Camera {
  checkPositive('a focal length', framing.focalLengthMm, 'mm');
  checkPositive('a frame width', framing.widthMm, 'mm');
  checkPositive('a frame height', framing.heightMm, 'mm');
  const forward = direction(framing.aim);
  const a = degToRad(framing.aim.azimuth);
  const right: Vec3 = [Math.cos(a), -Math.sin(a), 0];
  return { forward, right, up: cross(right, forward), framing };
}

/** mm right of and above the middle of the frame; undefined behind the camera. @source gnomonic projection */
function onSensor(camera: Camera, v: Vec3): readonly [number, number] | undefined {
  const depth = dot(v, camera.forward);
  if (depth <= 1e-6) return undefined;
  const f = camera.framing.focalLengthMm / depth;
  return [f * dot(v, camera.right), f * dot(v, camera.up)];
}

/** The direction seen at mm right of and above the middle. */
function fromSensor({ forward, right, up, framing }: Camera, x: number, y: number): Vec3 {
  const f = framing.focalLengthMm;
  const v: Vec3 = [0, 1, 2].map((i) => forward[i]! * f + right[i]! * x + up[i]! * y) as unknown as Vec3;
  const length = Math.hypot(v[0], v[1], v[2]);
  return [v[0] / length, v[1] / length, v[2] / length];
}

/** Where a direction falls in the frame; undefined behind the camera. Values outside 0..1 lie outside the frame. */
export function placeInFrame(framing: Framing, at: Horizontal): FramePoint | undefined {
  const point = onSensor(cameraOf(framing), direction(at));
  if (point === undefined) return undefined;
  return { x: 0.5 + point[0] / framing.widthMm, y: 0.5 - point[1] / framing.heightMm };
}

/** A point of the galactic equator in the frame. */
export interface ArchPoint extends FramePoint {
  /** deg, 0 at the galactic center. */
  readonly galacticLongitude: number;
  readonly altitude: number;
  readonly azimuth: number;
}

/** The part of the galactic equator that is above the horizon and in the frame, every `step` deg (default 2) of longitude from -180 to 180. */
export function archInFrame(
  framing: Framing,
  options: { readonly site: Position; readonly instant: Date; readonly step?: number },
): ArchPoint[] {
  const places = apparentPlaces(options.instant);
  const step = options.step ?? 2;
  const points: ArchPoint[] = [];
  for (let longitude = -180; longitude < 180; longitude += step) {
    const at = toHorizontal(places(galacticToEquatorial(longitude, 0)), options.instant, options.site);
    const place = at.altitude < 0 ? undefined : placeInFrame(framing, at);
    if (place === undefined || place.x < 0 || place.x > 1 || place.y < 0 || place.y > 1) continue;
    points.push({ galacticLongitude: longitude, ...at, ...place });
  }
  return points;
}

/** Trails of one exposure over the frame, px. */
export interface FrameTrails {
  readonly center: number;
  /** Top left, top right, bottom left, bottom right. */
  readonly corners: readonly [number, number, number, number];
  readonly worst: number;
}

/** How long the trails of one exposure are in the middle and in the corners of a frame, by the true turning of the sky. */
export function frameTrails(
  framing: Framing,
  options: { readonly latitude: number; readonly exposureTime: number; readonly pixelPitchUm: number },
): FrameTrails {
  const camera = cameraOf(framing);
  checkPositive('an exposure time', options.exposureTime, 's');
  const pitchMm = checkPositive('a pixel pitch', options.pixelPitchUm, 'um') / 1000;
  const trail = (x: number, y: number): number => {
    const at = fromSensor(camera, x, y);
    // Half before, half after: the trail through this very place.
    const from = onSensor(camera, turned(at, options.latitude, -options.exposureTime / 2));
    const to = onSensor(camera, turned(at, options.latitude, options.exposureTime / 2));
    if (from === undefined || to === undefined) return 0;
    return Math.hypot(to[0] - from[0], to[1] - from[1]) / pitchMm;
  };
  const [w, h] = [framing.widthMm / 2, framing.heightMm / 2];
  const corners = [trail(-w, h), trail(w, h), trail(-w, -h), trail(w, -h)] as const;
  return { center: trail(0, 0), corners, worst: Math.max(...corners) };
}

type Polygon = readonly (readonly [number, number])[];

/** The part of a polygon on the inner side of the line a-b (inner = left of it). @source Sutherland & Hodgman, CACM 17 (1974) 32 */
function cut(polygon: Polygon, a: readonly [number, number], b: readonly [number, number]): Polygon {
  const side = (p: readonly [number, number]) =>
    (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]);
  const kept: [number, number][] = [];
  for (let i = 0; i < polygon.length; i++) {
    const p = polygon[i]!;
    const q = polygon[(i + 1) % polygon.length]!;
    const [sp, sq] = [side(p), side(q)];
    if (sp >= 0) kept.push([p[0], p[1]]);
    if (sp >= 0 !== sq >= 0) {
      const t = sp / (sp - sq);
      kept.push([p[0] + t * (q[0] - p[0]), p[1] + t * (q[1] - p[1])]);
    }
  }
  return kept;
}

/** @source shoelace formula */
const area = (polygon: Polygon): number =>
  Math.abs(
    polygon.reduce((sum, p, i) => {
      const q = polygon[(i + 1) % polygon.length]!;
      return sum + p[0] * q[1] - q[0] * p[1];
    }, 0),
  ) / 2;

/**
 * The share, 0 to 1, of the middle frame's area that every frame of a run saw: what is left of a fixed
 * camera's sky after cropping to common coverage. A frame's edge is straight in the middle frame too
 * (gnomonic), so the common part of first, middle and last is a polygon.
 */
export function commonSky(
  framing: Framing,
  options: { readonly latitude: number; readonly duration: number },
): number {
  const camera = cameraOf(framing);
  const [w, h] = [framing.widthMm / 2, framing.heightMm / 2];
  const corners: Polygon = [
    [-w, -h],
    [w, -h],
    [w, h],
    [-w, h],
  ];
  let common = corners;
  for (const seconds of [-options.duration / 2, options.duration / 2]) {
    const moved = corners.map(([x, y]) =>
      onSensor(camera, turned(fromSensor(camera, x, y), options.latitude, seconds)),
    );
    // A corner that turned behind the middle camera: such a run has no useful common sky left to reckon.
    if (moved.some((p) => p === undefined)) return 0;
    const outline = moved as Polygon;
    for (let i = 0; i < 4 && common.length > 0; i++) common = cut(common, outline[i]!, outline[(i + 1) % 4]!);
  }
  return common.length < 3 ? 0 : area(common) / area(corners);
}
