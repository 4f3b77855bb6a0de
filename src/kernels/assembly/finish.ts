// Twin: ../finish-plain.ts. Four neighbouring pixels of a row in the lanes.

// Places in the block of parameters; the same list is in ../finish-plain.ts.
const MULTIPLIERS = 0;
const CLIP = 3;
const MATRIX = 4;
const CAST = 13;
const TONE_FROM = 16;
const TONE_SCALE = 17;
const LAND_CAP = 18;
const SATURATION = 19;
const LAND_CAST = 20;

/** Columns of padding before the first pixel of a row. */
const MARGIN = 4;

@inline
function at(base: usize, index: i32): usize {
  return base + (<usize>index << 2);
}

@inline
function param(params: usize, index: i32): v128 {
  return v128.load32_splat(at(params, index));
}

/** Sums (1 4 6 4 1) along a row, missing samples left out; weights of those that were there. */
function along(source: usize, sums: usize, weights: usize, rowLength: i32): void {
  const four = f32x4.splat(4), six = f32x4.splat(6), one = f32x4.splat(1);
  for (let x = MARGIN; x < rowLength - MARGIN; x += 4) {
    const a = v128.load(at(source, x - 2)), b = v128.load(at(source, x - 1)), c = v128.load(at(source, x));
    const d = v128.load(at(source, x + 1)), e = v128.load(at(source, x + 2));
    const ka = f32x4.eq(a, a), kb = f32x4.eq(b, b), kc = f32x4.eq(c, c), kd = f32x4.eq(d, d), ke = f32x4.eq(e, e);
    let sum = f32x4.add(v128.and(a, ka), f32x4.mul(four, v128.and(b, kb)));
    sum = f32x4.add(sum, f32x4.mul(six, v128.and(c, kc)));
    sum = f32x4.add(sum, f32x4.mul(four, v128.and(d, kd)));
    sum = f32x4.add(sum, v128.and(e, ke));
    let weight = f32x4.add(v128.and(one, ka), v128.and(four, kb));
    weight = f32x4.add(weight, v128.and(six, kc));
    weight = f32x4.add(weight, v128.and(four, kd));
    weight = f32x4.add(weight, v128.and(one, ke));
    v128.store(at(sums, x), sum);
    v128.store(at(weights, x), weight);
  }
}

/** The same five taps down a column of what `along` left. */
@inline
function down(base: usize, index: i32, rowLength: i32): v128 {
  const four = f32x4.splat(4), six = f32x4.splat(6);
  let sum = f32x4.add(v128.load(at(base, index)), f32x4.mul(four, v128.load(at(base, index + rowLength))));
  sum = f32x4.add(sum, f32x4.mul(six, v128.load(at(base, index + 2 * rowLength))));
  sum = f32x4.add(sum, f32x4.mul(four, v128.load(at(base, index + 3 * rowLength))));
  return f32x4.add(sum, v128.load(at(base, index + 4 * rowLength)));
}

@inline
function row3(matrix: usize, row: i32, x: v128, y: v128, z: v128): v128 {
  return f32x4.add(
    f32x4.add(f32x4.mul(param(matrix, 3 * row), x), f32x4.mul(param(matrix, 3 * row + 1), y)),
    f32x4.mul(param(matrix, 3 * row + 2), z),
  );
}

@inline
function dot3(a: f32, x: v128, b: f32, y: v128, c: f32, z: v128): v128 {
  return f32x4.add(
    f32x4.add(f32x4.mul(f32x4.splat(a), x), f32x4.mul(f32x4.splat(b), y)),
    f32x4.mul(f32x4.splat(c), z),
  );
}

@inline
function light(r: v128, g: v128, b: v128): v128 {
  return dot3(0.2126, r, 0.7152, g, 0.0722, b);
}

/** Cube root of values >= 0: a guess from the bits, then two of Halley's steps. */
@inline
function cubeRoot(x: v128): v128 {
  const third = f32x4.mul(f32x4.convert_i32x4_s(x), f32x4.splat(<f32>0.33333334));
  let y = i32x4.add(i32x4.trunc_sat_f32x4_s(third), i32x4.splat(709921077));
  for (let i = 0; i < 2; i++) {
    const cube = f32x4.mul(f32x4.mul(y, y), y);
    y = f32x4.div(f32x4.mul(y, f32x4.add(cube, f32x4.add(x, x))), f32x4.add(f32x4.add(cube, cube), x));
  }
  return y;
}

/** Share of the way from grey that a value may keep. */
@inline
function roomFor(value: v128, grey: v128): v128 {
  const one = f32x4.splat(1), zero = f32x4.splat(0);
  const above = f32x4.div(f32x4.sub(one, grey), f32x4.sub(value, grey));
  const below = f32x4.div(grey, f32x4.sub(grey, value));
  return v128.bitselect(above, v128.bitselect(below, one, f32x4.lt(value, zero)), f32x4.gt(value, one));
}

@inline
function greyOf(r: v128, g: v128, b: v128): v128 {
  const mean = f32x4.mul(f32x4.add(f32x4.add(r, g), b), f32x4.splat(<f32>0.33333334));
  return f32x4.min(f32x4.splat(1), f32x4.max(f32x4.splat(0), mean));
}

@inline
function room(r: v128, g: v128, b: v128, grey: v128): v128 {
  return f32x4.min(f32x4.min(roomFor(r, grey), roomFor(g, grey)), roomFor(b, grey));
}

@inline
function toward(grey: v128, share: v128, value: v128): v128 {
  return f32x4.add(grey, f32x4.mul(share, f32x4.sub(value, grey)));
}

/** One linear value to 16-bit sRGB by the table of pairs (value, step to the next). */
@inline
function encoded(linear: f32, encode: usize, size: i32): u16 {
  if (!(linear > 0)) return 0;
  if (linear >= 1) return 65535;
  const place = sqrt<f32>(linear) * <f32>size;
  const low = <i32>place;
  const entry = encode + (<usize>low << 3);
  return <u16>(load<f32>(entry) + (place - <f32>low) * load<f32>(entry + 4) + <f32>0.5);
}

/** Four tone values (sky level and gain, land level and gain) of one pixel. */
@inline
function toneAt(tone: usize, place: f32): v128 {
  const low = <i32>place;
  const entry = tone + (<usize>low << 4);
  const a = v128.load(entry);
  return f32x4.add(a, f32x4.mul(f32x4.splat(place - <f32>low), f32x4.sub(v128.load(entry + 16), a)));
}

export function finishBand(
  source: usize, rowLength: i32, width: i32, rows: i32,
  land: usize, sharpness: usize, smoothing: usize, gradient: usize, params: usize,
  tone: usize, toneSize: i32, encode: usize, encodeSize: i32, scratch: usize, out: usize,
): i32 {
  const inRows = rows + 4;
  const plane = inRows * rowLength;
  const weights = at(scratch, 3 * plane);
  for (let row = 0; row < 3 * inRows; row++) {
    along(at(source, row * rowLength), at(scratch, row * rowLength), at(weights, row * rowLength), rowLength);
  }
  const zero = f32x4.splat(0), one = f32x4.splat(1), three = f32x4.splat(3);
  const m0 = param(params, MULTIPLIERS), m1 = param(params, MULTIPLIERS + 1), m2 = param(params, MULTIPLIERS + 2);
  const clip = param(params, CLIP);
  const matrix = at(params, MATRIX);
  const cast0 = param(params, CAST), cast1 = param(params, CAST + 1), cast2 = param(params, CAST + 2);
  const ground0 = param(params, LAND_CAST), ground1 = param(params, LAND_CAST + 1), ground2 = param(params, LAND_CAST + 2);
  const cap = param(params, LAND_CAP);
  const saturation = param(params, SATURATION);
  const top = f32x4.splat(<f32>toneSize);
  const size = rows * rowLength;
  let clipped = 0;
  for (let y = 0; y < rows; y++) {
    for (let x = 0; x < width; x += 4) {
      const i = y * rowLength + MARGIN + x;
      const flat = y * rowLength + x;
      const landShare = v128.load(at(land, flat));
      const skyShare = f32x4.sub(one, landShare);
      const g0 = f32x4.mul(v128.load(at(gradient, flat)), skyShare);
      const g1 = f32x4.mul(v128.load(at(gradient, flat + size)), skyShare);
      const g2 = f32x4.mul(v128.load(at(gradient, flat + 2 * size)), skyShare);
      const soft0 = f32x4.div(down(scratch, i, rowLength), down(weights, i, rowLength));
      const soft1 = f32x4.div(down(scratch, i + plane, rowLength), down(weights, i + plane, rowLength));
      const soft2 = f32x4.div(down(scratch, i + 2 * plane, rowLength), down(weights, i + 2 * plane, rowLength));
      const middle = i + 2 * rowLength;
      let own0 = v128.load(at(source, middle));
      let own1 = v128.load(at(source, middle + plane));
      let own2 = v128.load(at(source, middle + 2 * plane));
      own0 = v128.bitselect(own0, soft0, f32x4.eq(own0, own0));
      own1 = v128.bitselect(own1, soft1, f32x4.eq(own1, own1));
      own2 = v128.bitselect(own2, soft2, f32x4.eq(own2, own2));
      // Balanced and held at the level that every colour reaches.
      own0 = f32x4.pmin(f32x4.mul(f32x4.sub(own0, g0), m0), clip);
      own1 = f32x4.pmin(f32x4.mul(f32x4.sub(own1, g1), m1), clip);
      own2 = f32x4.pmin(f32x4.mul(f32x4.sub(own2, g2), m2), clip);
      const calm0 = f32x4.pmin(f32x4.mul(f32x4.sub(soft0, g0), m0), clip);
      const calm1 = f32x4.pmin(f32x4.mul(f32x4.sub(soft1, g1), m1), clip);
      const calm2 = f32x4.pmin(f32x4.mul(f32x4.sub(soft2, g2), m2), clip);
      let r = row3(matrix, 0, own0, own1, own2);
      let g = row3(matrix, 1, own0, own1, own2);
      let b = row3(matrix, 2, own0, own1, own2);
      const softR = row3(matrix, 0, calm0, calm1, calm2);
      const softG = row3(matrix, 1, calm0, calm1, calm2);
      const softB = row3(matrix, 2, calm0, calm1, calm2);
      // Only what looks like noise is smoothed: a star stands many sigma above its surroundings.
      const own = light(r, g, b);
      const calm = light(softR, softG, softB);
      const away = f32x4.mul(f32x4.sub(own, calm), v128.load(at(sharpness, flat)));
      const near = f32x4.max(zero, f32x4.sub(one, f32x4.mul(away, away)));
      const share = f32x4.mul(v128.load(at(smoothing, flat)), f32x4.mul(near, near));
      const colorShare = f32x4.min(one, f32x4.mul(three, share));
      const base = f32x4.add(own, f32x4.mul(share, f32x4.sub(calm, own)));
      r = f32x4.add(base, toward(f32x4.sub(r, own), colorShare, f32x4.sub(softR, calm)));
      g = f32x4.add(base, toward(f32x4.sub(g, own), colorShare, f32x4.sub(softG, calm)));
      b = f32x4.add(base, toward(f32x4.sub(b, own), colorShare, f32x4.sub(softB, calm)));
      const off0 = f32x4.add(f32x4.mul(cast0, skyShare), f32x4.mul(ground0, landShare));
      const off1 = f32x4.add(f32x4.mul(cast1, skyShare), f32x4.mul(ground1, landShare));
      const off2 = f32x4.add(f32x4.mul(cast2, skyShare), f32x4.mul(ground2, landShare));
      r = f32x4.sub(r, off0);
      g = f32x4.sub(g, off1);
      b = f32x4.sub(b, off2);
      // Core and skirt of a star differ in colour, as green is sharper than red and blue: both take that of its whole light.
      const wideR = f32x4.sub(softR, off0), wideG = f32x4.sub(softG, off1), wideB = f32x4.sub(softB, off2);
      const around = light(wideR, wideG, wideB);
      const bright = light(r, g, b);
      const ratio = f32x4.div(bright, f32x4.max(around, one));
      const stands = f32x4.gt(around, one);
      const most = f32x4.min(one, f32x4.mul(f32x4.splat(<f32>2.2), v128.load(at(smoothing, flat))));
      const core = v128.and(f32x4.mul(f32x4.mul(most, f32x4.sub(one, near)), skyShare), stands);
      r = toward(r, core, f32x4.mul(wideR, ratio));
      g = toward(g, core, f32x4.mul(wideG, ratio));
      b = toward(b, core, f32x4.mul(wideB, ratio));
      // Tone by the mean of the three, so that the ratios of the colours stay.
      const value = f32x4.mul(f32x4.add(f32x4.add(r, g), b), f32x4.splat(<f32>0.33333334));
      const x01 = f32x4.mul(f32x4.sub(value, param(params, TONE_FROM)), param(params, TONE_SCALE));
      const place = f32x4.mul(f32x4.sqrt(f32x4.pmin(one, f32x4.pmax(zero, x01))), top);
      const p0 = toneAt(tone, f32x4.extract_lane(place, 0));
      const p1 = toneAt(tone, f32x4.extract_lane(place, 1));
      const p2 = toneAt(tone, f32x4.extract_lane(place, 2));
      const p3 = toneAt(tone, f32x4.extract_lane(place, 3));
      const q0 = v128.shuffle<f32>(p0, p1, 0, 4, 1, 5), q1 = v128.shuffle<f32>(p2, p3, 0, 4, 1, 5);
      const q2 = v128.shuffle<f32>(p0, p1, 2, 6, 3, 7), q3 = v128.shuffle<f32>(p2, p3, 2, 6, 3, 7);
      const level = v128.shuffle<f32>(q0, q1, 0, 1, 4, 5), gain = v128.shuffle<f32>(q0, q1, 2, 3, 6, 7);
      const lifted = v128.shuffle<f32>(q2, q3, 0, 1, 4, 5), liftGain = v128.shuffle<f32>(q2, q3, 2, 3, 6, 7);
      // Land is lifted toward the sky's own level and never above it, unless it is truly brighter.
      const held = f32x4.min(lifted, f32x4.max(level, cap));
      const heldGain = f32x4.div(f32x4.mul(liftGain, held), f32x4.max(lifted, f32x4.splat(<f32>1e-9)));
      const whole = f32x4.add(f32x4.mul(skyShare, level), f32x4.mul(landShare, held));
      const spread = f32x4.add(f32x4.mul(skyShare, gain), f32x4.mul(landShare, heldGain));
      r = f32x4.add(whole, f32x4.mul(spread, f32x4.sub(r, value)));
      g = f32x4.add(whole, f32x4.mul(spread, f32x4.sub(g, value)));
      b = f32x4.add(whole, f32x4.mul(spread, f32x4.sub(b, value)));
      let grey = greyOf(r, g, b);
      let fit = room(r, g, b, grey);
      r = toward(grey, fit, r);
      g = toward(grey, fit, g);
      b = toward(grey, fit, b);
      // Saturation in Oklab.
      const l = cubeRoot(f32x4.max(zero, dot3(0.4122214708, r, 0.5363325363, g, 0.0514459929, b)));
      const m = cubeRoot(f32x4.max(zero, dot3(0.2119034982, r, 0.6806995451, g, 0.1073969566, b)));
      const s = cubeRoot(f32x4.max(zero, dot3(0.0883024619, r, 0.2817188376, g, 0.6299787005, b)));
      const lightness = dot3(0.2104542553, l, 0.793617785, m, -0.0040720468, s);
      let a1 = f32x4.mul(saturation, dot3(1.9779984951, l, -2.428592205, m, 0.4505937099, s));
      const b1 = f32x4.mul(saturation, dot3(0.0259040371, l, 0.7827717662, m, -0.808675766, s));
      // Stars glow as hot bodies do, from orange over white to blue: a green or purple core is the mosaic's doing.
      const line = f32x4.mul(b1, v128.bitselect(f32x4.splat(<f32>0.4), f32x4.splat(<f32>0.2), f32x4.gt(b1, zero)));
      const spread1 = f32x4.add(f32x4.mul(f32x4.abs(b1), f32x4.splat(<f32>0.25)), f32x4.splat(<f32>0.004));
      const natural = f32x4.min(f32x4.add(line, spread1), f32x4.max(f32x4.sub(line, spread1), a1));
      a1 = toward(a1, core, natural);
      const l1 = dot3(1, lightness, 0.3963377774, a1, 0.2158037573, b1);
      const m1c = dot3(1, lightness, -0.1055613458, a1, -0.0638541728, b1);
      const s1 = dot3(1, lightness, -0.0894841775, a1, -1.291485548, b1);
      const l3 = f32x4.mul(f32x4.mul(l1, l1), l1);
      const m3 = f32x4.mul(f32x4.mul(m1c, m1c), m1c);
      const s3 = f32x4.mul(f32x4.mul(s1, s1), s1);
      r = dot3(4.0767416621, l3, -3.3077115913, m3, 0.2309699292, s3);
      g = dot3(-1.2684380046, l3, 2.6097574011, m3, -0.3413193965, s3);
      b = dot3(-0.0041960863, l3, -0.7034186147, m3, 1.707614701, s3);
      grey = greyOf(r, g, b);
      fit = room(r, g, b, grey);
      r = toward(grey, fit, r);
      g = toward(grey, fit, g);
      b = toward(grey, fit, b);
      // No data at all: black.
      const known = f32x4.eq(value, value);
      r = v128.and(r, known);
      g = v128.and(g, known);
      b = v128.and(b, known);
      const count = min(4, width - x);
      let to = out + <usize>((y * width + x) * 6);
      for (let k = 0; k < count; k++) {
        const er = encoded(f32x4.extract_lane(r, 0), encode, encodeSize);
        const eg = encoded(f32x4.extract_lane(g, 0), encode, encodeSize);
        const eb = encoded(f32x4.extract_lane(b, 0), encode, encodeSize);
        store<u16>(to, er);
        store<u16>(to + 2, eg);
        store<u16>(to + 4, eb);
        if (er == 65535 || eg == 65535 || eb == 65535) clipped++;
        to += 6;
        r = v128.shuffle<f32>(r, r, 1, 2, 3, 0);
        g = v128.shuffle<f32>(g, g, 1, 2, 3, 0);
        b = v128.shuffle<f32>(b, b, 1, 2, 3, 0);
      }
    }
  }
  return clipped;
}
