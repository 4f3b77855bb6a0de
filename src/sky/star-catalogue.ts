import { STAR_COUNT, STAR_DATA_BASE64 } from './star-data.generated.js';

/** Stars of the whole sky to magnitude 8, brightest first; one entry a star. */
export interface StarCatalogue {
  readonly count: number;
  /** J2000, deg, in [0, 360). */
  readonly rightAscension: Float32Array;
  /** J2000, deg. */
  readonly declination: Float32Array;
  /** V magnitude. */
  readonly magnitude: Float32Array;
  /** Color index B-V, mag; 0.6 where unknown. */
  readonly colorIndex: Float32Array;
}

let decoded: StarCatalogue | undefined;

/**
 * The built-in star list, decoded once and shared: do not change its arrays.
 * @source d3-celestial 0.7.35 `stars.8.json`, from Anderson & Francis, XHIP (2012); positions to 1 arcsec (float32: 0.06 arcsec at 360 deg)
 */
export function starCatalogue(): StarCatalogue {
  if (decoded !== undefined) return decoded;
  const text = atob(STAR_DATA_BASE64);
  const view = new DataView(new ArrayBuffer(text.length));
  for (let i = 0; i < text.length; i++) view.setUint8(i, text.charCodeAt(i));
  const column = (offset: number): Float32Array => {
    const values = new Float32Array(STAR_COUNT);
    for (let i = 0; i < STAR_COUNT; i++) values[i] = view.getFloat32(i * 16 + offset * 4, true);
    return values;
  };
  decoded = {
    count: STAR_COUNT,
    rightAscension: column(0),
    declination: column(1),
    magnitude: column(2),
    colorIndex: column(3),
  };
  return decoded;
}
