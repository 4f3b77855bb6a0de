import { describe, expect, it } from 'vitest';
import { sampleScenario } from '../../sample-night/index.js';
import { median } from '../../src/core/index.js';
import { randomNight, SCENARIOS, simulateNight, smallNight, TROUBLES } from '../support/synthetic-sky.js';

describe('the truth of the sample night', () => {
  const { truth } = simulateNight(sampleScenario());
  const lights = truth.frames.filter((frame) => frame.role === 'light');
  const light = (i: number) => lights[i]!;

  it('has tests first, one run of lights in two segments, darks last', () => {
    expect(truth.sequences.map(({ role, count, segments }) => [role, count, segments])).toEqual([
      ['test', 1, 1],
      ['test', 1, 1],
      ['test', 1, 1],
      ['test', 1, 1],
      ['light', 36, 2],
      ['dark', 8, 1],
    ]);
  });

  it('has one deliberate imperfection of each kind', () => {
    expect(truth.events.map((event) => event.kind).sort()).toEqual(
      ['aircraft', 'cloud', 'damage', 'headlights', 'knock', 'meteor', 'satellite', 'shake', 'soft'].sort(),
    );
    expect(truth.defects.filter((defect) => defect.kind === 'hot').length).toBeGreaterThan(300);
    expect(truth.defects.filter((defect) => defect.kind === 'cold').length).toBeGreaterThan(5);
  });

  it('judges by the scale and never by what it does not drop for', () => {
    expect(light(0)).toMatchObject({ verdict: 'keep', reasons: [] });
    expect(light(5)).toMatchObject({ verdict: 'keep', streaks: [{ kind: 'aircraft' }] });
    expect(light(9)).toMatchObject({ verdict: 'doubt', reasons: ['cloud'] });
    expect(light(12)).toMatchObject({ verdict: 'drop', reasons: ['cloud'] });
    expect(light(15)).toMatchObject({ verdict: 'drop', reasons: ['unreadable'] });
    expect(light(17)).toMatchObject({ verdict: 'drop', reasons: ['shaken'] });
    expect(light(24)).toMatchObject({ verdict: 'doubt', reasons: ['glare'] });
    expect(light(28)).toMatchObject({ verdict: 'drop', reasons: ['soft'] });
    expect(
      truth.frames.filter((frame) => frame.role !== 'light').every((frame) => frame.verdict === 'none'),
    ).toBe(true);
  });

  it('keeps its planted values away from the limits, so that each verdict is one any fair measurement gives', () => {
    for (const frame of lights) {
      for (const limit of [0.72, 0.93]) expect(Math.abs(frame.transparency - limit)).toBeGreaterThan(0.025);
      for (const limit of [1.2, 1.6]) expect(Math.abs(frame.fwhmRatio - limit)).toBeGreaterThan(0.05);
    }
  });

  it('happens under a dark sky at new moon', () => {
    for (const frame of lights) {
      expect(frame.sunAltitude).toBeLessThan(-18);
      expect(frame.moonAltitude).toBeLessThan(0);
    }
  });
});

describe('named nights', () => {
  const truthOf = (name: string) => simulateNight(SCENARIOS[name]!()).truth;

  it('trail by about six px everywhere on the bad night, and none of it counts as shake (P28)', () => {
    for (const frame of truthOf('bad-night').frames) {
      expect(frame.trailLength).toBeGreaterThan(5);
      expect(frame.verdict).toBe('keep');
    }
  });

  it('go from keep over doubt to drop under dew, without ever getting better (P24)', () => {
    const order = { keep: 0, doubt: 1, drop: 2, none: -1 };
    const verdicts = truthOf('dew').frames.map((frame) => order[frame.verdict]);
    expect(verdicts).toEqual([...verdicts].sort());
    expect(new Set(verdicts)).toEqual(new Set([0, 1, 2]));
  });

  it('bring twilight at dawn and the moon at moonrise (P38)', () => {
    const dawn = truthOf('dawn').frames;
    expect(dawn[0]!.reasons).toEqual([]);
    expect(dawn.at(-1)!.reasons).toEqual(['twilight']);
    const moonrise = truthOf('moonrise').frames;
    expect(moonrise[0]!.moonAltitude).toBeLessThan(0);
    expect(moonrise.at(-1)!.moonAltitude).toBeGreaterThan(0);
  });

  it('have the pole where the mapping says, turning nothing', () => {
    const night = simulateNight(SCENARIOS['pole-jpeg']!());
    const { poleX, poleY } = night.truth.frames[0]!.mapping;
    const [x, y] = night.mapPoint(0, 19, poleX!, poleY!);
    // 0.5 px: refraction lifts the sky by 55 arcsec there (0.43 px), which the pole of the mapping leaves out.
    expect(Math.hypot(x - poleX!, y - poleY!)).toBeLessThan(0.5);
  });
});

describe('random nights', () => {
  it('differ in focal length, hemisphere and trouble over the seeds', () => {
    const nights = Array.from({ length: 40 }, (_, seed) => randomNight(seed));
    expect(new Set(nights.map((night) => night.lens.focalLengthMm)).size).toBe(6);
    expect(nights.some((night) => night.site.latitude < -20)).toBe(true);
    expect(nights.some((night) => night.site.latitude > 20)).toBe(true);
    expect(new Set(nights.map((night) => night.name.split('-').at(-1))).size).toBe(TROUBLES.length);
  });

  it('have stars and truth whatever was drawn', () => {
    for (let seed = 0; seed < 4; seed++) {
      const night = simulateNight(randomNight(seed, { width: 300, frames: 6 }));
      expect(night.truth.frames.length).toBe(6);
      expect(night.frames[0]!.starTable().table.count).toBeGreaterThan(20);
    }
  });
});

describe('simulateStarTable', () => {
  const night = simulateNight(
    smallNight({ frames: 3, happenings: [{ kind: 'shake', at: 1, length: 8, angle: 30 }] }),
  );

  it('has errors as large as it says', () => {
    const { table, row } = night.frames[0]!.starTable();
    const truth = night.frames[0]!.stars(1);
    const pulls: number[] = [];
    for (let i = 0; i < table.count; i++) {
      const j = truth.row.indexOf(row[i]!);
      if (j < 0) continue;
      pulls.push(
        (table.x[i]! - truth.x[j]!) / table.positionError[i]!,
        (table.y[i]! - truth.y[j]!) / table.positionError[i]!,
      );
    }
    expect(pulls.length).toBeGreaterThan(400);
    const rms = Math.sqrt(pulls.reduce((sum, value) => sum + value * value, 0) / pulls.length);
    // 10 %: more than 400 pulls know their rms to 3.5 %.
    expect(Math.abs(rms - 1)).toBeLessThan(0.1);
  });

  it('shows a shaken frame as long as it was shaken, in its direction', () => {
    const { table } = night.frames[1]!.starTable();
    const bright = Array.from({ length: table.count }, (_, i) => i).filter((i) => table.snr[i]! > 60);
    const length = median(bright.map((i) => table.trailLength[i]!));
    // A swing that dies down spends its time near the ends: its line-equivalent is 0.8 to 1.3 of the full swing.
    expect(length / 8).toBeGreaterThan(0.8);
    expect(length / 8).toBeLessThan(1.3);
    // 12 deg: the swing has a sideways part of an eighth, and the sky's own trail of 1 px adds another direction.
    expect(Math.abs(median(bright.map((i) => table.theta[i]!)) - 30)).toBeLessThan(12);
  });

  it('makes false detections when asked, and marks them', () => {
    const { table, row } = night.frames[0]!.starTable({ falseShare: 0.3 });
    const wrong = row.filter((value) => value < 0).length;
    // 5 %: the count is rounded and stars are drawn before.
    expect(Math.abs(wrong / table.count - 0.3)).toBeLessThan(0.05);
  });
});
