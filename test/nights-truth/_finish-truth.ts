import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { frameGeometry } from '../../sample-night/_geometry.js';
import { lensGrid } from '../../sample-night/_lens-grid.js';
import { makeCard, type NightScenario, type SmoothSky, simulateNight } from '../../sample-night/index.js';
import { median, quantile, silent, srgbDecode } from '../../src/core/index.js';
import {
  type Band,
  balancedByStars,
  type FinishPlan,
  gradientAt,
  joinSurvey,
  LOOKS,
  linearSrgbToOklab,
  makeFinishPlan,
  RENDER_ROWS,
  renderRows,
  type StackColor,
  type StackMaps,
  type Survey,
  surveyedRows,
  surveyPlan,
  surveyRow,
} from '../../src/finishing/index.js';
import { FINISH_PARAMETERS, loadKernelsFromDisk } from '../../src/kernels/index.js';
import { readLinearFacts, stackSource } from '../../src/workflow/_linear-facts.js';
import { openLinearRows } from '../../src/workflow/_linear-rows.js';
import { night as runNight } from '../../src/workflow/night.js';

/** What a finished night comes to beside its truth; shares, not percent. */
export interface FinishNumbers {
  readonly name: string;
  readonly kind: string;
  /** Scatter of green sky cells about truth once the gradient is off, of the sky's level. */
  readonly gradientLeft: number;
  /** Step from the blank sky to the band's bright parts, of the true one; NaN where there is no band to speak of. */
  readonly bandKept: number;
  /** Largest distance of the blank sky's colours from grey, of its level, in the picture. */
  readonly offGrey: number;
  readonly clipped: number;
  /** Turn of hue of bright stars through the stretch, deg: median. */
  readonly hue: number;
}

const LOOK = LOOKS['still-night']!;

type Source = Awaited<ReturnType<typeof stackSource>>;

/** Takes a night from its card to its picture and holds it against what was drawn. */
export async function finishNight(scenario: NightScenario): Promise<FinishNumbers[]> {
  const scratch = mkdtempSync(join(tmpdir(), 'nightcairn-finish-'));
  try {
    const { card } = await makeCard(scratch, { scenario });
    const { latitude, longitude } = scenario.site;
    const context = { libraryDir: join(scratch, 'library'), progress: silent, clock: () => new Date() };
    const { stacks } = await runNight(context, { card, site: 'Truth', at: { latitude, longitude } });
    const found: FinishNumbers[] = [];
    for (const { stack } of stacks) {
      if (stack) found.push(await numbersOf(scenario, stack.folder));
    }
    return found;
  } finally {
    rmSync(scratch, { recursive: true, force: true });
  }
}

export async function numbersOf(scenario: NightScenario, folder: string): Promise<FinishNumbers> {
  const linear = await readLinearFacts(folder);
  const source = await stackSource(folder, linear);
  const rows = openLinearRows(source.path);
  const whole = rows.band(0, linear.height);
  rows.close();
  const survey = surveyOf(source, linear, whole);
  const plan = makeFinishPlan(survey, LOOK, source.skyAt);
  const truth = truthOf(scenario, linear.facts.exif.wallTime!, survey, source.maps);
  const picture = await render({ ...plan, orientation: 1 }, whole, source);
  return {
    name: scenario.name,
    kind: plan.gradient.kind,
    ...skyNumbers(survey, plan, truth),
    offGrey: offGrey(survey, picture.data),
    clipped: picture.clipped,
    hue: hueTurn(source, plan, whole, picture.data),
  };
}

function surveyOf(source: Source, size: { width: number; height: number }, whole: Band): Survey {
  const { path: _path, maps, skyAt: _sky, ...stack } = source;
  const color = balancedByStars<StackColor>(stack, LOOK);
  const rect = { x: 0, y: 0, width: size.width, height: size.height };
  const plan = surveyPlan(rect, color);
  const parts = Array.from({ length: plan.rows }, (_, row) => {
    const { top, rows } = surveyedRows(plan, row);
    const data = new Float32Array(3 * rows * size.width);
    for (let c = 0; c < 3; c++) {
      const from = (c * size.height + top) * size.width;
      data.set(whole.data.subarray(from, from + rows * size.width), c * rows * size.width);
    }
    return surveyRow(plan, { top, rows, width: size.width, data }, maps);
  });
  return joinSurvey(plan, parts);
}

/**
 * What each cell shows of the sky's own light, ADU, f32[3 * cells]: Milky Way with its faint stars, and bands of
 * airglow, as the median of the cell's pixels has it; and the smooth Milky Way alone.
 */
function truthOf(scenario: NightScenario, wallTime: string, { plan, levels }: Survey, maps: StackMaps) {
  const lights = simulateNight(scenario).frames.filter(({ shot }) => shot.role === 'light');
  const wanted = Date.parse(`${wallTime}Z`) - scenario.site.utcOffsetMinutes * 60_000;
  const off = (frame: (typeof lights)[number]) => Math.abs(Date.parse(frame.truth.start) - wanted);
  const frame = lights.reduce((best, other) => (off(other) < off(best) ? other : best));
  const sky: SmoothSky = frame.smoothSky();
  const { surface, columns } = lensGrid(scenario, frameGeometry(scenario, frame.shot));
  const drawn = frame.noiseFree();
  const cells = plan.columns * plan.rows;
  const own = new Float32Array(3 * cells);
  const milkyWay = new Float32Array(3 * cells);
  for (let c = 0; c < 3; c++) {
    for (let i = 0; i < cells; i++) {
      if (!Number.isFinite(levels[c * cells + i]!)) continue;
      const [left, top] = [(i % plan.columns) * plan.cell, Math.floor(i / plan.columns) * plan.cell];
      const node =
        Math.round((top + plan.cell / 2) / sky.step) * sky.columns +
        Math.round((left + plan.cell / 2) / sky.step);
      const at = c * sky.columns * sky.rows + node;
      const found: number[] = [];
      for (let y = top; y < top + plan.cell; y += 2) {
        for (let x = left; x < left + plan.cell; x += 2) {
          if (maps.land && maps.land[y * drawn.width + x]! > 5) continue;
          const value = drawn.data[(c * drawn.height + y) * drawn.width + x]!;
          found.push(value / surface[Math.round(y / sky.step) * columns + Math.round(x / sky.step)]!);
        }
      }
      milkyWay[c * cells + i] = sky.milkyWay[at]!;
      own[c * cells + i] = median(found) - (sky.sky[at]! - sky.milkyWay[at]! - sky.airglowBands[at]!);
    }
  }
  return { own, milkyWay };
}

function skyNumbers(
  { plan, levels }: Survey,
  { gradient }: FinishPlan,
  truth: ReturnType<typeof truthOf>,
): Pick<FinishNumbers, 'gradientLeft' | 'bandKept'> {
  const cells = plan.columns * plan.rows;
  const good = Array.from({ length: cells }, (_, i) => i).filter((i) => Number.isFinite(levels[cells + i]!));
  const level = median(good.map((i) => levels[cells + i]!));
  const shown = (i: number): number =>
    levels[cells + i]! -
    gradientAt(
      gradient,
      1,
      ((i % plan.columns) + 0.5) * plan.cell,
      (Math.floor(i / plan.columns) + 0.5) * plan.cell,
    );
  const left = good.map((i) => shown(i) - truth.own[cells + i]!);
  const middle = median(left);
  const band = good.map((i) => truth.milkyWay[cells + i]!);
  const [high, low] = [quantile(band, 0.93), quantile(band, 0.3)];
  const mean = (values: readonly number[]) => values.reduce((sum, v) => sum + v, 0) / values.length;
  const step = (value: (i: number) => number): number =>
    mean(good.filter((_, k) => band[k]! >= high).map(value)) -
    mean(good.filter((_, k) => band[k]! <= low).map(value));
  const trueStep = step((i) => truth.milkyWay[cells + i]!);
  return {
    gradientLeft: (1.4826 * median(left.map((v) => Math.abs(v - middle)))) / level,
    bandKept: trueStep > 0.1 * level ? step(shown) / trueStep : Number.NaN,
  };
}

async function render(plan: FinishPlan, whole: Band, source: Source) {
  const kernels = await loadKernelsFromDisk();
  const { width, height } = plan.rect;
  const data = new Uint16Array(3 * width * height);
  let clipped = 0;
  for (let top = 0; top < height; top += RENDER_ROWS) {
    const count = Math.min(RENDER_ROWS, height - top);
    const made = renderRows(plan, { top, count }, whole, source.maps, kernels);
    data.set(made.data, 3 * top * width);
    clipped += made.clipped;
  }
  return { data, clipped: clipped / (width * height) };
}

/** Colours of the darker third of the sky's cells in the picture. */
function offGrey({ plan, levels }: Survey, data: Uint16Array): number {
  const cells = plan.columns * plan.rows;
  const colors: number[][] = [];
  for (let i = 0; i < cells; i++) {
    if (!Number.isFinite(levels[cells + i]!)) continue;
    const samples: number[][] = [[], [], []];
    const [left, top] = [(i % plan.columns) * plan.cell, Math.floor(i / plan.columns) * plan.cell];
    for (let y = top; y < top + plan.cell; y += 2) {
      for (let x = left; x < left + plan.cell; x += 2) {
        for (let c = 0; c < 3; c++) samples[c]!.push(data[3 * (y * plan.rect.width + x) + c]!);
      }
    }
    colors.push(samples.map((values) => median(values)));
  }
  const grey = colors.map((color) => (color[0]! + color[1]! + color[2]!) / 3);
  const limit = quantile(grey, 0.35);
  const blank = [0, 1, 2].map((c) =>
    median(colors.filter((_, i) => grey[i]! <= limit).map((color) => color[c]!)),
  );
  const level = (blank[0]! + blank[1]! + blank[2]!) / 3;
  return Math.max(...blank.map((value) => Math.abs(value - level))) / level;
}

/** Half side of the square that a star's light is summed in, px, and of the ring about it that tells its sky. */
const WHOLE = 2;
const RING = 7;

/** Half side of the square that the eye sees as the star, px. */
const CORE = 1;

type Rgb = readonly [number, number, number];

/** Hue, deg, and chroma against lightness, Oklab. */
function hueOf([r, g, b]: Rgb): { readonly hue: number; readonly chroma: number } {
  const [l, a1, b1] = linearSrgbToOklab(r, g, b);
  return { hue: (Math.atan2(b1, a1) * 180) / Math.PI, chroma: Math.hypot(a1, b1) / l };
}

/** The same light with so much grey added that its chroma falls to `chroma`: a star on a sky of some brightness. */
function diluted(light: Rgb, chroma: number): Rgb {
  const most = Math.max(...light);
  const mixed = (grey: number): Rgb => [
    light[0] + grey * most,
    light[1] + grey * most,
    light[2] + grey * most,
  ];
  let [low, high] = [0, 20];
  if (hueOf(mixed(low)).chroma < chroma) return light;
  for (let i = 0; i < 40; i++) {
    const middle = (low + high) / 2;
    if (hueOf(mixed(middle)).chroma > chroma) low = middle;
    else high = middle;
  }
  return mixed(low);
}

/**
 * Turn of hue (Oklab) of bright stars through the stretch, deg: median. Before it, the star's whole light above the
 * sky about it, balanced, as pale as sky and stretch make it; after it, the star's middle as the picture shows it.
 * Only stars that stand well above the sky, have a colour and clip nowhere.
 */
function hueTurn(source: Source, plan: FinishPlan, whole: Band, data: Uint16Array): number {
  const { width, height } = plan.rect;
  const size = width * height;
  const P = FINISH_PARAMETERS;
  const multipliers = plan.parameters.subarray(P.multipliers, P.multipliers + 3);
  const matrix = plan.parameters.subarray(P.matrix, P.matrix + 9);
  const clip = 0.9 * plan.parameters[P.clip]!;
  const linearAt = (at: number): Rgb => {
    const camera = [0, 1, 2].map(
      (c) =>
        (whole.data[c * size + at]! - gradientAt(plan.gradient, c, at % width, Math.floor(at / width))) *
        multipliers[c]!,
    );
    if (Math.max(...camera) > clip) return [Number.NaN, Number.NaN, Number.NaN];
    const row = (r: number) => camera.reduce((sum, value, c) => sum + matrix[3 * r + c]! * value, 0);
    return [row(0), row(1), row(2)];
  };
  const lightOf = (x: number, y: number): Rgb => {
    const ring: Rgb[] = [];
    const sum = [0, 0, 0];
    for (let j = -RING; j <= RING; j++) {
      for (let i = -RING; i <= RING; i++) {
        const far = Math.max(Math.abs(i), Math.abs(j));
        if (far > WHOLE && far < RING) continue;
        const value = linearAt((y + j) * width + x + i);
        if (far === RING) ring.push(value);
        else for (let c = 0; c < 3; c++) sum[c]! += value[c]!;
      }
    }
    const own = (c: number) =>
      (sum[c]! - (2 * WHOLE + 1) ** 2 * median(ring.map((value) => value[c]!))) / 65535;
    return [own(0), own(1), own(2)];
  };
  const shownOf = (x: number, y: number): Rgb => {
    const sum: [number, number, number] = [0, 0, 0];
    for (let j = -CORE; j <= CORE; j++) {
      for (let i = -CORE; i <= CORE; i++) {
        for (let c = 0; c < 3; c++) sum[c]! += srgbDecode(data[3 * ((y + j) * width + x + i) + c]! / 65535);
      }
    }
    return sum;
  };
  const turns: number[] = [];
  const green = whole.data.subarray(size, 2 * size);
  for (let y = RING + 1; y < height - RING - 1; y++) {
    for (let x = RING + 1; x < width - RING - 1; x++) {
      const at = y * width + x;
      if (source.maps.land && source.maps.land[at]! > 0) continue;
      if (!(green[at]! > 5 * plan.sky.level)) continue;
      // The highest pixel of its surroundings stands for its star.
      let top = true;
      for (let j = -WHOLE; j <= WHOLE; j++)
        for (let i = -WHOLE; i <= WHOLE; i++) top &&= green[at]! >= green[at + j * width + i]!;
      if (!top) continue;
      const light = lightOf(x, y);
      if (!(hueOf(light).chroma > 0.03)) continue;
      const shown = hueOf(shownOf(x, y));
      const before = hueOf(diluted(light, shown.chroma / LOOK.saturation)).hue;
      const turn = Math.abs(shown.hue - before) % 360;
      turns.push(Math.min(turn, 360 - turn));
    }
  }
  return turns.length < 10 ? Number.NaN : median(turns);
}
