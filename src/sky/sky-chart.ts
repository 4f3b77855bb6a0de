import { degToRad } from '../core/index.js';
import {
  apparentPlaces,
  checkPosition,
  galacticToEquatorial,
  type Horizontal,
  type Position,
  toHorizontal,
} from './coordinates.js';
import { apparentAltitude } from './refraction.js';
import { starCatalogue } from './star-catalogue.js';
import { moonPosition } from './sun-moon.js';

/** The sky over a site at an instant: what a small chart draws. Altitudes as seen, with refraction, deg. */
export interface SkyChart {
  /** Stars above the horizon, brightest first; one entry a star. */
  readonly stars: {
    readonly count: number;
    readonly altitude: Float32Array;
    readonly azimuth: Float32Array;
    readonly magnitude: Float32Array;
    readonly colorIndex: Float32Array;
  };
  /** The galactic equator above the horizon, every 5 deg of galactic longitude from -180, in order. */
  readonly arch: readonly (Horizontal & { readonly galacticLongitude: number })[];
  /** Absent while it is down. */
  readonly moon?: Horizontal;
}

const seen = ({ altitude, azimuth }: Horizontal): Horizontal => ({
  altitude: apparentAltitude(altitude),
  azimuth,
});

/**
 * Stars to a magnitude (default 4.5, at most 8), the galactic equator and the moon above the horizon.
 * @throws {InputError} an impossible position
 */
export function skyChart(
  site: Position,
  instant: Date,
  options: { readonly magnitude?: number } = {},
): SkyChart {
  checkPosition(site);
  const limit = options.magnitude ?? 4.5;
  const catalogue = starCatalogue();
  const places = apparentPlaces(instant);
  const rows: [altitude: number, azimuth: number, index: number][] = [];
  for (let i = 0; i < catalogue.count && catalogue.magnitude[i]! <= limit; i++) {
    const place = { rightAscension: catalogue.rightAscension[i]!, declination: catalogue.declination[i]! };
    const at = seen(toHorizontal(places(place), instant, site));
    if (at.altitude >= 0) rows.push([at.altitude, at.azimuth, i]);
  }
  const column = (value: (row: (typeof rows)[number]) => number) => Float32Array.from(rows, value);
  const arch = Array.from({ length: 72 }, (_, i) => i * 5 - 180).flatMap((galacticLongitude) => {
    const at = seen(toHorizontal(places(galacticToEquatorial(galacticLongitude, 0)), instant, site));
    return at.altitude < 0 ? [] : [{ ...at, galacticLongitude }];
  });
  const moon = seen(moonPosition(instant, site));
  return {
    stars: {
      count: rows.length,
      altitude: column(([altitude]) => altitude),
      azimuth: column(([, azimuth]) => azimuth),
      magnitude: column(([, , i]) => catalogue.magnitude[i]!),
      colorIndex: column(([, , i]) => catalogue.colorIndex[i]!),
    },
    arch,
    ...(moon.altitude < 0 ? {} : { moon }),
  };
}

/**
 * Where a direction falls on a round chart of the whole sky, as held overhead: zenith (0, 0), horizon at
 * radius 1, north up, east LEFT; x right, y down. Equidistant from the zenith.
 */
export function onChart({ altitude, azimuth }: Horizontal): { x: number; y: number } {
  const radius = (90 - altitude) / 90;
  return { x: -radius * Math.sin(degToRad(azimuth)), y: -radius * Math.cos(degToRad(azimuth)) };
}
