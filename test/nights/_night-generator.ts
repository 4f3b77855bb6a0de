import { type FrameHeader, type Random, type Role, seededRandom } from '../../src/core/index.js';
import type { FrameForGrouping, FrameGlimpse } from '../../src/nights/index.js';
import { makeSky, type Pointing, type Sky, seeDark, seeDay, seeFlat, seeSky } from './_sky-model.js';

/** A frame with what the grouping ought to find. */
export interface TrueFrame {
  readonly frame: FrameForGrouping;
  readonly role: Role;
  /** Name of the sequence it belongs to. */
  readonly sequence: string;
  /** Body, to follow its frames in order of time. */
  readonly body: string;
  /** The RAW whose exposure this file repeats. */
  readonly twinOf?: string;
}

export interface TrueNight {
  readonly name: string;
  readonly zone: string;
  readonly frames: readonly TrueFrame[];
}

/** A place and an evening at which a run may begin: UTC instants. */
export interface Evening {
  readonly name: string;
  readonly zone: string;
  readonly latitude: number;
  readonly start: string;
}

/** Clock changes, the date line, polar night and plain nights; starts are local evenings (or the polar noon). */
export const EVENINGS: readonly Evening[] = [
  { name: 'plain desert', zone: 'Africa/Windhoek', latitude: -23, start: '2026-06-14T18:00:00Z' },
  { name: 'spring change', zone: 'America/Los_Angeles', latitude: 36.5, start: '2026-03-08T06:30:00Z' },
  { name: 'autumn change', zone: 'America/Los_Angeles', latitude: 36.5, start: '2026-11-01T05:00:00Z' },
  { name: 'spring change in Europe', zone: 'Europe/Lisbon', latitude: 38.2, start: '2026-03-28T22:30:00Z' },
  {
    name: 'autumn change in the south',
    zone: 'Pacific/Auckland',
    latitude: -44,
    start: '2026-04-04T09:30:00Z',
  },
  { name: 'half-hour change', zone: 'Australia/Lord_Howe', latitude: -31.5, start: '2026-04-04T10:00:00Z' },
  { name: 'west of the date line', zone: 'Pacific/Fiji', latitude: -16.9, start: '2026-07-13T08:00:00Z' },
  {
    name: 'east of the date line',
    zone: 'Pacific/Pago_Pago',
    latitude: -14.3,
    start: '2026-07-14T07:30:00Z',
  },
  { name: 'quarter-hour zone', zone: 'Asia/Kathmandu', latitude: 27.7, start: '2026-04-17T15:00:00Z' },
  { name: 'polar night', zone: 'Arctic/Longyearbyen', latitude: 78.2, start: '2026-12-10T11:30:00Z' },
];

interface Settings {
  readonly exposureTime: number;
  readonly iso: number;
  readonly fNumber: number;
}

/** A body at work: its clock, its counter and what it has shot. */
interface Body {
  readonly name: string;
  readonly camera: string;
  readonly serial: string | undefined;
  readonly width: number;
  readonly height: number;
  readonly focalLengthMm: number;
  readonly focalPx: number;
  /** 15 s and 30 s run 16 s and 32 s. */
  readonly doubling: boolean;
  readonly wholeSeconds: boolean;
  readonly manualLens: boolean;
  readonly twins: boolean;
  /** ms since 1970. */
  clock: number;
  number: number;
  folder: number;
  pointing: Pointing;
  firstAzimuth: number;
  framings: number;
  runs: number;
  starSize: number;
  readonly shots: TrueFrame[];
}

interface Studio {
  readonly random: Random;
  readonly sky: Sky;
  readonly evening: Evening;
  readonly epoch: number;
  /** Sky level with 15 s at ISO 3200 and f/2.8, fraction of white. */
  readonly skyLevel: number;
}

const pick = <T>(random: Random, list: readonly T[]): T => list[Math.floor(random() * list.length)]!;
const between = (random: Random, low: number, high: number): number => low + (high - low) * random();
const whole = (random: Random, low: number, high: number): number =>
  Math.floor(between(random, low, high + 1));

/** Makes one night with the truth known; the same seed makes the same night. */
export function makeNight(seed: number): TrueNight {
  const random = seededRandom(seed * 7919 + 1);
  const evening = EVENINGS[seed % EVENINGS.length]!;
  const studio: Studio = {
    random,
    evening,
    sky: makeSky(seed + 1, evening.latitude),
    epoch: Date.parse(evening.start),
    skyLevel: pick(random, [0.006, 0.02, 0.05, 0.12]),
  };
  const bodies = [makeBody(studio, 'A')];
  if (random() < 0.5) bodies.push(makeBody(studio, 'B'));
  for (const body of bodies) shootNight(studio, body);
  return {
    name: `night ${seed}, ${evening.name}`,
    zone: evening.zone,
    frames: bodies.flatMap((body) => body.shots),
  };
}

function makeBody({ random, epoch }: Studio, name: string): Body {
  const width = pick(random, [6000, 4928, 5472]);
  const pointing = newPointing(random);
  const focalLengthMm = pick(random, [14, 18, 24, 35]);
  return {
    name,
    camera: name === 'A' ? 'Harrow H2' : pick(random, ['Harrow H2', 'Bellwether 70']),
    serial: random() < 0.75 || name === 'B' ? `00${name === 'A' ? 4711 : 815}` : undefined,
    width,
    height: Math.round((width * 2) / 3),
    focalLengthMm,
    focalPx: (focalLengthMm / 36) * width,
    doubling: random() < 0.5,
    wholeSeconds: random() < 0.5,
    manualLens: random() < 0.15,
    twins: random() < 0.2,
    clock: epoch + whole(random, 0, 1200) * 1000,
    number: random() < 0.3 ? whole(random, 9930, 9990) : whole(random, 100, 8000),
    folder: name === 'A' ? 100 : 300,
    pointing,
    firstAzimuth: pointing.azimuth,
    framings: 0,
    runs: 0,
    starSize: between(random, 2, 3.2),
    shots: [],
  };
}

const newPointing = (random: Random): Pointing => ({
  azimuth: between(random, 0, 360),
  altitude: between(random, 15, 40),
  roll: between(random, -3, 3),
});

/**
 * Turns the head so that another framing is meant: by the golden angle, so that no two of a dozen framings
 * come nearer than 20 degrees to each other, and to another height.
 */
function reframe(random: Random, body: Body): Pointing {
  body.framings++;
  return {
    azimuth: body.firstAzimuth + 137.508 * body.framings,
    altitude: between(random, 15, 40),
    roll: body.pointing.roll,
  };
}

const realShutter = (body: Body, nominal: number): number =>
  body.doubling && (nominal === 15 || nominal === 30) ? nominal * (16 / 15) : nominal;

interface Shooting {
  readonly role: Role;
  readonly sequence: string;
  readonly settings: Settings;
  readonly see: (seconds: number) => FrameGlimpse | undefined;
  readonly pause?: number;
}

/** Takes one frame: writes the header the camera would write and moves clock and counter on. */
function shoot(studio: Studio, body: Body, { role, sequence, settings, see, pause }: Shooting): TrueFrame {
  const { random, epoch } = studio;
  const startMs = body.wholeSeconds ? Math.floor(body.clock / 1000) * 1000 : Math.round(body.clock);
  const name = `${body.name === 'A' ? 'HRW_' : 'BWR_'}${String(body.number).padStart(4, '0')}`;
  const path = `DCIM/${body.folder}HARRW/${name}.RAW`;
  const header: FrameHeader = {
    format: 'raw',
    formatName: 'RAW',
    camera: body.camera,
    ...(body.serial ? { serial: body.serial } : {}),
    exposureTime: settings.exposureTime,
    iso: settings.iso,
    ...(body.manualLens
      ? {}
      : {
          fNumber: settings.fNumber,
          focalLengthMm: body.focalLengthMm,
          focalLength35Mm: body.focalLengthMm,
          lens: `Glass ${body.focalLengthMm} mm`,
        }),
    width: body.width,
    height: body.height,
    fileNumber: body.number,
    warnings: [],
  };
  const seen = see((body.clock - epoch) / 1000);
  const truth: TrueFrame = {
    frame: {
      id: `${body.name}-${String(body.shots.length).padStart(4, '0')}`,
      path,
      header,
      startMs,
      ...(seen ? { glimpse: seen } : {}),
    },
    role,
    sequence: `${body.name} ${sequence}`,
    body: body.name,
  };
  body.shots.push(truth);
  if (body.twins)
    body.shots.push({
      ...truth,
      frame: {
        ...truth.frame,
        id: `${truth.frame.id}-jpeg`,
        path: path.replace('.RAW', '.JPG'),
        header: { ...header, format: 'jpeg', formatName: 'JPEG' },
      },
      twinOf: truth.frame.id,
    });
  body.number++;
  if (body.number > 9999) {
    body.number = 1;
    body.folder++;
  } else if (random() < 0.004) body.folder++;
  body.clock += (realShutter(body, settings.exposureTime) + (pause ?? 1)) * 1000;
  return truth;
}

interface Eye {
  readonly settings: Settings;
  readonly pointing?: Pointing;
  readonly clear?: number;
  readonly starSize?: number;
  readonly brighter?: number;
}

/** The eye of a body on the sky: level from the settings, stars from the pointing. */
function onSky(studio: Studio, body: Body, { settings, pointing, clear, starSize, brighter }: Eye) {
  const gathered = (settings.exposureTime / 15) * (settings.iso / 3200) * (2.8 / settings.fNumber) ** 2;
  const level = Math.min(0.85, studio.skyLevel * gathered * (brighter ?? 1));
  return (seconds: number): FrameGlimpse =>
    seeSky(
      studio.sky,
      {
        pointing: pointing ?? body.pointing,
        width: body.width,
        height: body.height,
        focalPx: body.focalPx,
        seconds,
        level,
        clear: clear ?? 1,
        starSize: starSize ?? body.starSize,
        land: 0.25,
      },
      studio.random,
    );
}

/** The whole evening of one body. */
function shootNight(studio: Studio, body: Body): void {
  const { random } = studio;
  const main: Settings = {
    exposureTime: pick(random, [10, 13, 15, 20, 25, 30]),
    iso: pick(random, [1600, 3200, 6400]),
    fNumber: pick(random, [1.8, 2.8, 3.5]),
  };
  if (random() < 0.3) snapshot(studio, body);
  if (random() < 0.5) focusSweep(studio, body, main);
  if (random() < 0.7) framingTests(studio, body, main);
  const chapters = whole(random, 1, 3);
  for (let k = 0; k < chapters; k++) {
    if (k > 0) {
      body.pointing = reframe(random, body);
      wait(body, between(random, 40, 900));
      if (random() < 0.4) framingTests(studio, body, main);
    }
    if (random() < 0.15) bracketRun(studio, body, main);
    else mainRun(studio, body, main);
    if (random() < 0.4) landFrames(studio, body, main);
  }
  if (random() < 0.6) {
    wait(body, between(random, 20, 200));
    series(studio, body, { role: 'dark', settings: main, count: whole(random, 6, 20) });
  }
  if (random() < 0.3)
    series(studio, body, { role: 'bias', settings: { ...main, exposureTime: 1 / 4000 }, count: 15 });
  if (random() < 0.3)
    series(studio, body, { role: 'flat', settings: { ...main, iso: 100, exposureTime: 1 / 30 }, count: 12 });
  loseFields(studio, body);
}

const wait = (body: Body, seconds: number): void => {
  body.clock += seconds * 1000;
};

function snapshot(studio: Studio, body: Body): void {
  shoot(studio, body, {
    role: 'other',
    sequence: 'snapshots',
    settings: { exposureTime: 1 / 125, iso: 200, fNumber: 5.6 },
    see: () => seeDay(body, studio.random),
    pause: between(studio.random, 5, 60),
  });
  wait(body, 1500);
}

/** From soft to sharp and past it again, by hand. */
function focusSweep(studio: Studio, body: Body, main: Settings): void {
  const { random } = studio;
  const settings = random() < 0.5 ? main : { ...main, exposureTime: 4, iso: 6400 };
  const count = whole(random, 5, 9);
  const best = whole(random, 2, count - 2);
  for (let i = 0; i < count; i++) {
    const starSize = body.starSize * (1 + 0.35 * Math.abs(i - best));
    shoot(studio, body, {
      role: 'test',
      sequence: 'sweep',
      settings,
      see: onSky(studio, body, { settings, starSize }),
      pause: between(random, 4, 25),
    });
  }
  wait(body, between(random, 20, 120));
  // The run's framing is set after focusing.
  body.pointing = reframe(random, body);
}

/** One or two shots each of another framing or setting. */
function framingTests(studio: Studio, body: Body, main: Settings): void {
  const { random } = studio;
  const final = body.pointing;
  const groups = whole(random, 1, 3);
  let last = '';
  for (let g = 0; g < groups; g++) {
    const settings = random() < 0.5 ? main : { ...main, exposureTime: pick(random, [2, 8]), iso: 12_800 };
    // The same settings and framing as the run would make it the run's first frame.
    const pointing = settings === main || random() < 0.5 ? reframe(random, body) : final;
    // The same again is not another test.
    const key = `${settings.exposureTime} ${settings.iso} ${pointing.azimuth}`;
    if (key === last) continue;
    body.runs++;
    last = key;
    const count = whole(random, 1, 2);
    for (let i = 0; i < count; i++)
      shoot(studio, body, {
        role: 'test',
        sequence: `test ${body.runs}`,
        settings,
        see: onSky(studio, body, { settings, pointing }),
        pause: between(random, 3, 20),
      });
    wait(body, between(random, 15, 90));
  }
}

interface Event {
  readonly at: number;
  readonly kind:
    | 'skip'
    | 'pause'
    | 'battery'
    | 'cloud'
    | 'knock'
    | 'turn'
    | 'refocus'
    | 'unreadable'
    | 'lost';
}

/** A run by the clock with the mishaps of a night. */
function mainRun(studio: Studio, body: Body, settings: Settings): void {
  const { random } = studio;
  const count = whole(random, 14, 60);
  const noiseReduction = random() < 0.1;
  const pause = noiseReduction ? realShutter(body, settings.exposureTime) + 1.2 : between(random, 0.6, 3);
  const events: Event[] = [];
  const kinds: readonly Event['kind'][] = [
    'skip',
    'pause',
    'battery',
    'cloud',
    'knock',
    'turn',
    'refocus',
    'unreadable',
    'lost',
  ];
  for (const kind of kinds) {
    const at = whole(random, 5, count - 5);
    // Two mishaps at once have no one truth.
    if (random() < 0.2 && events.every((event) => Math.abs(event.at - at) >= 4)) events.push({ at, kind });
  }
  const twilight = random() < 0.15 ? 5 : 0;
  body.runs++;
  let cloudLeft = 0;
  let soft = 1;
  for (let i = 0; i < count; i++) {
    let unreadable = false;
    for (const { kind } of events.filter((event) => event.at === i)) {
      if (kind === 'skip') wait(body, settings.exposureTime + pause);
      if (kind === 'lost') body.number++;
      if (kind === 'pause') wait(body, between(random, 60, 240));
      if (kind === 'battery') {
        wait(body, Math.max(310, 10.5 * (settings.exposureTime + pause)) + between(random, 30, 600));
        body.runs++;
      }
      if (kind === 'cloud') cloudLeft = whole(random, 2, 5);
      if (kind === 'knock') body.pointing = knock(random, body);
      if (kind === 'turn') {
        body.pointing = reframe(random, body);
        wait(body, between(random, 5, 60));
        body.runs++;
      }
      if (kind === 'refocus') {
        soft = soft === 1 ? 1.9 : 1;
        body.runs++;
      }
      if (kind === 'unreadable') unreadable = true;
    }
    const clear = cloudLeft > 0 ? pick(random, [0, 0.02, 0.2]) : i < twilight ? 0.05 * i : 1;
    const brighter = i < twilight ? 20 / (i + 1) : cloudLeft > 0 ? between(random, 0.5, 2) : 1;
    cloudLeft--;
    const see = onSky(studio, body, { settings, clear, brighter, starSize: soft * body.starSize });
    shoot(studio, body, {
      role: 'light',
      sequence: `run ${body.runs}`,
      settings,
      see: unreadable ? () => undefined : see,
      pause,
    });
  }
}

/** A knock of the tripod of 1 to 12 % of the frame. */
function knock(random: Random, body: Body): Pointing {
  const degrees =
    ((Math.atan(between(random, 0.02, 0.12) * (body.width / body.focalPx)) * 180) / Math.PI) * 0.9;
  return { ...body.pointing, altitude: body.pointing.altitude + (random() < 0.5 ? 1 : -1) * degrees * 0.6 };
}

/** Longer shots at a lower ISO of the framing of the run just made (P10). */
function landFrames(studio: Studio, body: Body, main: Settings): void {
  const { random } = studio;
  wait(body, between(random, 5, 60));
  const settings = { ...main, exposureTime: pick(random, [60, 120, 240]), iso: main.iso / 4 };
  body.runs++;
  const count = whole(random, 1, 4);
  for (let i = 0; i < count; i++)
    shoot(studio, body, {
      role: 'light',
      sequence: `land ${body.runs}`,
      settings,
      // Trails are no compact peaks: few or none are seen.
      see: onSky(studio, body, { settings, clear: 0.002 }),
      pause: 2,
    });
}

/** Three shutters in turn at one framing, round after round. */
function bracketRun(studio: Studio, body: Body, main: Settings): void {
  const { random } = studio;
  body.runs++;
  const rounds = whole(random, 2, 8);
  for (let round = 0; round < rounds; round++) {
    for (const factor of [0.65, 1, 1.5]) {
      const settings = { ...main, exposureTime: Math.round(10 * main.exposureTime * factor) / 10 };
      shoot(studio, body, {
        role: 'light',
        sequence: `bracket ${body.runs}`,
        settings,
        see: onSky(studio, body, { settings }),
        pause: 2,
      });
    }
  }
}

function series(
  studio: Studio,
  body: Body,
  { role, settings, count }: { role: Role; settings: Settings; count: number },
): void {
  const { random } = studio;
  const level = role === 'dark' ? between(random, 0, 8e-4) : 0;
  body.runs++;
  for (let i = 0; i < count; i++)
    shoot(studio, body, {
      role,
      sequence: `${role} ${body.runs}`,
      settings,
      see: () => (role === 'flat' ? seeFlat(body, random) : seeDark(body, level, random)),
    });
  wait(body, between(random, 5, 60));
}

/** Takes fields out of some headers: a time, an ISO or an aperture here and there. */
function loseFields({ random }: Studio, body: Body): void {
  for (let i = 2; i < body.shots.length - 2; i++) {
    const truth = body.shots[i]!;
    // In the middle of a run only, and not beside another loss.
    const inside = [-2, -1, 1, 2].every((k) => body.shots[i + k]!.sequence === truth.sequence);
    if (!inside || body.twins || random() > 0.01 || !truth.sequence.includes('run')) continue;
    const { startMs, ...rest } = truth.frame;
    const { iso, fNumber, ...header } = truth.frame.header;
    const kind = whole(random, 0, 2);
    const frame: FrameForGrouping =
      kind === 0
        ? rest
        : {
            ...rest,
            ...(startMs === undefined ? {} : { startMs }),
            header:
              kind === 1
                ? { ...header, ...(fNumber ? { fNumber } : {}) }
                : { ...header, ...(iso ? { iso } : {}) },
          };
    body.shots[i] = { ...truth, frame };
    i += 4;
  }
}
