import { gaussian, seededRandom } from '../src/core/index.js';
import { bodyColor, starCatalogue, starTemperature } from '../src/sky/index.js';
import { toCamera } from './_color.js';
import { direction } from './_geometry.js';
import { J2000_TO_GALACTIC, milkyWayGlow } from './_milky-way.js';
import { hash } from './_noise.js';
import type { ScenarioCamera } from './night-scenario.js';

/** Stars of a part of the sky: J2000 unit vectors and brightness. */
export interface StarField {
  readonly count: number;
  readonly x: Float64Array;
  readonly y: Float64Array;
  readonly z: Float64Array;
  readonly magnitude: Float32Array;
  /** Flux for the three kinds of pixels, above the air; a neutral star of magnitude 0 has [.., 1, ..] in green. */
  readonly red: Float32Array;
  readonly green: Float32Array;
  readonly blue: Float32Array;
}

/** Real stars end here; fainter ones are invented. */
const REAL_LIMIT = 8;

/** Growth of star counts per magnitude. @source C. W. Allen, Astrophysical Quantities (1973) section 117, about 0.43 dex at 8 to 12 mag. */
const COUNT_SLOPE = 0.43;

const COLOR_STEPS = 120;

/** Camera colour by B-V from -0.4 to 2.0, so that a spectrum is summed once only. */
function colorTable(camera: ScenarioCamera): Float32Array {
  const table = new Float32Array(3 * (COLOR_STEPS + 1));
  const convert = toCamera(camera);
  for (let i = 0; i <= COLOR_STEPS; i++) {
    table.set(convert(bodyColor(starTemperature(-0.4 + (2.4 * i) / COLOR_STEPS))), 3 * i);
  }
  return table;
}

/** Circle on the sky, J2000. */
export interface SkyCircle {
  readonly center: readonly [number, number, number];
  /** deg */
  readonly radius: number;
}

/**
 * All stars inside a circle: the real ones to magnitude 8, and below that invented ones that thicken toward
 * the Milky Way. An invented star is the same on every night, whatever circle is asked for.
 */
export function starField(camera: ScenarioCamera, circle: SkyCircle, faintest: number): StarField {
  const table = colorTable(camera);
  const near = Math.cos((circle.radius * Math.PI) / 180);
  const [cx, cy, cz] = circle.center;
  const rows: number[] = [];
  const add = (v: readonly [number, number, number], magnitude: number, bv: number): void => {
    if (v[0] * cx + v[1] * cy + v[2] * cz < near) return;
    const step = Math.round(((Math.min(2, Math.max(-0.4, bv)) + 0.4) / 2.4) * COLOR_STEPS);
    const power = 10 ** (-0.4 * magnitude);
    rows.push(v[0], v[1], v[2], magnitude, power * table[3 * step]!, power * table[3 * step + 1]!);
    rows.push(power * table[3 * step + 2]!);
  };
  const real = starCatalogue();
  for (let i = 0; i < real.count && real.magnitude[i]! <= faintest; i++) {
    add(direction(real.rightAscension[i]!, real.declination[i]!), real.magnitude[i]!, real.colorIndex[i]!);
  }
  if (faintest > REAL_LIMIT) inventFaint(circle, faintest, add);
  const count = rows.length / 7;
  const column = (k: number) => Float64Array.from({ length: count }, (_, i) => rows[i * 7 + k]!);
  return {
    count,
    x: column(0),
    y: column(1),
    z: column(2),
    magnitude: Float32Array.from(column(3)),
    red: Float32Array.from(column(4)),
    green: Float32Array.from(column(5)),
    blue: Float32Array.from(column(6)),
  };
}

type AddStar = (v: readonly [number, number, number], magnitude: number, bv: number) => void;

/** Goes through cells of about one square degree; each has its own seed and goes to the same depth order. */
function inventFaint(circle: SkyCircle, faintest: number, add: AddStar): void {
  const reach = Math.cos(((circle.radius + 1.5) * Math.PI) / 180);
  const [cx, cy, cz] = circle.center;
  const glow = new Float64Array(3);
  const m = J2000_TO_GALACTIC;
  for (let band = -90; band < 90; band++) {
    const cosine = Math.cos(((band + 0.5) * Math.PI) / 180);
    const cells = Math.max(1, Math.round(360 * cosine));
    for (let cell = 0; cell < cells; cell++) {
      const middle = direction(((cell + 0.5) * 360) / cells, band + 0.5);
      if (middle[0] * cx + middle[1] * cy + middle[2] * cz < reach) continue;
      const [x, y, z] = middle;
      milkyWayGlow(
        m[0] * x + m[1] * y + m[2] * z,
        m[3] * x + m[4] * y + m[5] * z,
        m[6] * x + m[7] * y + m[8] * z,
        glow,
      );
      // Mean density down to REAL_LIMIT is one a square degree (41 411 stars over 41 253).
      const density = 0.5 + 1.5 * Math.min(1.4, glow[1]!);
      const random = seededRandom(hash(band + 90, cell, 4177));
      // Arrivals of a Poisson process along the cumulative count, brightest first: going deeper only adds stars.
      let cumulative = 0;
      for (;;) {
        cumulative += -Math.log(1 - random());
        const ra = ((cell + random()) * 360) / cells;
        const dec = band + random();
        const bv = 0.75 + 0.45 * gaussian(random);
        const magnitude = REAL_LIMIT + Math.log10(1 + cumulative / density) / COUNT_SLOPE;
        if (magnitude > faintest) break;
        add(direction(ra, dec), magnitude, bv);
      }
    }
  }
}
