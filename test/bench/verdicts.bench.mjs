// Times the judging of 200 frames from their star tables and fluxes. Run `npm run build` first.
import { gaussian, makeStarTable, seededRandom } from '../../dist/src/core/index.js';
import { judgeRun } from '../../dist/src/verdicts/index.js';

const WIDTH = 6000;
const HEIGHT = 4000;
const LIMIT_MS = 1000;

/** A clear run with some cloud, 800 stars a frame, every star tracked through all frames. */
function run(frameCount, stars) {
  const random = seededRandom(23);
  const places = Array.from({ length: stars }, () => [
    random() * WIDTH,
    random() * HEIGHT,
    10 ** (3 + random()),
  ]);
  const flux = new Float32Array(frameCount * stars);
  const x = new Float32Array(flux.length);
  const y = new Float32Array(flux.length);
  const airmass = new Float32Array(flux.length).fill(1.3);
  const trackRows = new Int32Array(flux.length);
  const frames = Array.from({ length: frameCount }, (_, i) => {
    const table = makeStarTable(stars);
    const clear = i % 20 === 7 ? 0.8 : 1;
    for (let k = 0; k < stars; k++) {
      const at = i * stars + k;
      const [px, py, bright] = places[k];
      trackRows[at] = k;
      x[at] = table.x[k] = px;
      y[at] = table.y[k] = py;
      flux[at] = table.flux[k] = bright * clear * (1 + 0.03 * gaussian(random));
      table.snr[k] = 40;
      table.fwhm[k] = table.fwhmMinor[k] = 2.6 * (1 + 0.03 * gaussian(random));
      table.elongation[k] = 1.05;
    }
    const measurement = {
      width: WIDTH,
      height: HEIGHT,
      stars: table,
      fwhm: 2.6,
      fwhmMinor: 2.6,
      elongation: 1.05,
      trailLength: 0.5,
      trailAngle: 0,
      background: 500,
      landLevel: 100,
      noise: 20,
      zones: [],
      streaks: [],
      clippedShare: 0,
    };
    return { id: `f${i}`, exposureTime: 10, sunAltitude: -40, measurement };
  });
  const still = { x: 0, y: 0, rotation: 0 };
  const alignment = {
    width: WIDTH,
    height: HEIGHT,
    method: 'sky-motion',
    referenceIndex: 0,
    model: {
      lens: {
        projection: 'rectilinear',
        focalLengthPx: 6000,
        centerX: 2999.5,
        centerY: 1999.5,
        k1: 0,
        k2: 0,
      },
      pole: [0, 0.6, 0.8],
      lowOrder: [0, 0, 0, 0],
    },
    frames: frames.map(({ id }) => ({
      id,
      status: 'fitted',
      segment: 0,
      rotation: [1, 0, 0, 0, 1, 0, 0, 0, 1],
      rms: 0.1,
      cornerRms: 0.1,
      matched: stars,
      offset: still,
      headMotion: still,
    })),
    segmentCount: 1,
    rms: 0.1,
    cornerRms: 0.1,
    zones: [],
    trackCount: stars,
    trackRows,
    notes: [],
  };
  return { frames, alignment, photometry: { trackCount: stars, flux, x, y, airmass } };
}

/** @param {{full: boolean}} options */
export function bench({ full }) {
  const input = run(200, 800);
  const times = [];
  let doubts = 0;
  for (let i = 0; i < (full ? 6 : 3); i++) {
    const start = performance.now();
    doubts = judgeRun(input).frames.filter(({ verdict }) => verdict === 'doubt').length;
    if (i > 0) times.push(performance.now() - start);
  }
  if (doubts !== 10) throw new Error(`10 of 200 frames lie under cloud, ${doubts} were told`);
  times.sort((a, b) => a - b);
  console.log(
    `judge 200 frames x 800 stars | min ${times[0].toFixed(0)} ms | median ${times[times.length >> 1].toFixed(0)} ms | limit ${LIMIT_MS} ms`,
  );
}
