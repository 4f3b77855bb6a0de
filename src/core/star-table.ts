/** Measured facts of one star, bitwise. One registry row: bit, short text, long text. */
export const STAR_FLAGS = {
  SATURATED: {
    bit: 1,
    short: 'saturated',
    long: 'a pixel of the star reached the white level',
  },
  NEAR_EDGE: {
    bit: 2,
    short: 'edge',
    long: 'the measuring window leaves the frame',
  },
  BLENDED: {
    bit: 4,
    short: 'blend',
    long: 'a neighbour overlaps the measuring window',
  },
  NON_POSITIVE_FLUX: {
    bit: 8,
    short: 'no flux',
    long: 'the net flux is not positive; shape unknown',
  },
  DEFECT_SUSPECT: {
    bit: 16,
    short: 'defect?',
    long: 'as sharp as a sensor defect; told apart over time',
  },
  ON_LAND: { bit: 32, short: 'land', long: 'lies on the land mask' },
  SHAPE_FAILED: {
    bit: 64,
    short: 'shape?',
    long: 'the shape could not be measured',
  },
} as const;
export type StarFlag = keyof typeof STAR_FLAGS;

/** The measured stars of one frame: a struct of arrays, one entry a star, brightest first. */
export interface StarTable {
  readonly count: number;
  /** Windowed centroid, px. */
  readonly x: Float64Array;
  readonly y: Float64Array;
  /** Total flux above background, ADU. */
  readonly flux: Float32Array;
  /** Highest pixel above background, ADU. */
  readonly peak: Float32Array;
  /** Background level below the star, ADU above black. */
  readonly background: Float32Array;
  /** Signal-to-noise of the flux. */
  readonly snr: Float32Array;
  /** Circularised 2*sqrt(ln2*(a^2+b^2)), px. */
  readonly fwhm: Float32Array;
  /** FWHM across the trail (minor axis), 2.3548*b, px. */
  readonly fwhmMinor: Float32Array;
  /** a/b >= 1. */
  readonly elongation: Float32Array;
  /** Direction of the major axis, deg in [0, 180), from +x toward +y. */
  readonly theta: Float32Array;
  /** Length of the line that, convolved with a round Gaussian, gives this shape: sqrt(12*(a^2-b^2)), px. */
  readonly trailLength: Float32Array;
  /** 1-sigma error of x and of y each, px. */
  readonly positionError: Float32Array;
  /** Sum of `STAR_FLAGS` bits. */
  readonly flags: Uint16Array;
}

/** Makes an empty table for `count` stars; float columns start as NaN. */
export function makeStarTable(count: number): StarTable {
  const column = () => new Float32Array(count).fill(Number.NaN);
  return {
    count,
    x: new Float64Array(count).fill(Number.NaN),
    y: new Float64Array(count).fill(Number.NaN),
    flux: column(),
    peak: column(),
    background: column(),
    snr: column(),
    fwhm: column(),
    fwhmMinor: column(),
    elongation: column(),
    theta: column(),
    trailLength: column(),
    positionError: column(),
    flags: new Uint16Array(count),
  };
}

const COLUMNS = [
  'x',
  'y',
  'flux',
  'peak',
  'background',
  'snr',
  'fwhm',
  'fwhmMinor',
  'elongation',
  'theta',
  'trailLength',
  'positionError',
  'flags',
] as const;

/** Picks rows by index, in the order given. */
export function selectStars(table: StarTable, rows: ArrayLike<number>): StarTable {
  const picked = makeStarTable(rows.length);
  for (let i = 0; i < rows.length; i++) {
    for (const column of COLUMNS) picked[column][i] = table[column][rows[i]!]!;
  }
  return picked;
}

const MAGIC = 0x5354_4152; // 'STAR'

/** Packs a table into bytes (little-endian; magic, version, count, then the columns in order). */
export function packStarTable(table: StarTable): Uint8Array {
  const perStar = 8 + 8 + 10 * 4 + 2;
  const bytes = new Uint8Array(12 + table.count * perStar);
  const view = new DataView(bytes.buffer);
  view.setUint32(0, MAGIC, true);
  view.setUint32(4, 1, true);
  view.setUint32(8, table.count, true);
  let at = 12;
  for (const column of COLUMNS) {
    for (let i = 0; i < table.count; i++) {
      if (column === 'x' || column === 'y') {
        view.setFloat64(at, table[column][i]!, true);
        at += 8;
      } else if (column === 'flags') {
        view.setUint16(at, table.flags[i]!, true);
        at += 2;
      } else {
        view.setFloat32(at, table[column][i]!, true);
        at += 4;
      }
    }
  }
  return bytes;
}

/** Unpacks what `packStarTable` made; undefined when the bytes are not such a table. */
export function unpackStarTable(bytes: Uint8Array): StarTable | undefined {
  if (bytes.byteLength < 12) return undefined;
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  if (view.getUint32(0, true) !== MAGIC || view.getUint32(4, true) !== 1) return undefined;
  const count = view.getUint32(8, true);
  if (bytes.byteLength !== 12 + count * (8 + 8 + 10 * 4 + 2)) return undefined;
  const table = makeStarTable(count);
  let at = 12;
  for (const column of COLUMNS) {
    for (let i = 0; i < count; i++) {
      if (column === 'x' || column === 'y') {
        table[column][i] = view.getFloat64(at, true);
        at += 8;
      } else if (column === 'flags') {
        table.flags[i] = view.getUint16(at, true);
        at += 2;
      } else {
        table[column][i] = view.getFloat32(at, true);
        at += 4;
      }
    }
  }
  return table;
}
