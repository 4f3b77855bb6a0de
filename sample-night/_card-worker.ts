import { writeFileSync } from 'node:fs';
import { writeDng, writeJpeg } from '../src/frames/index.js';
import { serveTasks } from '../src/kernels/index.js';
import { colorMatrixOf } from './_color.js';
import { develop } from './_develop.js';
import type { NightScenario } from './night-scenario.js';
import { JPEG_STOPS, type SimulatedNight, simulateNight } from './sky-scene.js';

/** One frame to be written by a thread. */
export interface CardTask {
  readonly scenario: NightScenario;
  readonly index: number;
  /** Absent when the camera keeps no raw file. */
  readonly dngPath?: string;
  readonly jpegPath?: string;
}

let night: { readonly key: string; readonly simulated: SimulatedNight } | undefined;

/** Damages a file as a failing card does. */
function damaged(bytes: Uint8Array, damage: 'truncated' | 'all-zero' | undefined): Uint8Array {
  if (damage === 'truncated') return bytes.subarray(0, Math.floor(bytes.length * 0.37));
  if (damage === 'all-zero') return new Uint8Array(bytes.length);
  return bytes;
}

export async function writeFrame({ scenario, index, dngPath, jpegPath }: CardTask): Promise<void> {
  const key = JSON.stringify(scenario);
  if (night?.key !== key) night = { key, simulated: simulateNight(scenario) };
  const frame = night.simulated.frames[index]!;
  const { camera, lens, site } = scenario;
  const raw = frame.render();
  const {
    format: _format,
    formatName: _name,
    camera: _camera,
    warnings: _warnings,
    fileNumber: _number,
    ...said
  } = frame.header;
  const exif = {
    ...said,
    lensMake: lens.make,
    software: 'firmware 1.2',
    gps: { latitude: site.latitude, longitude: site.longitude, altitude: site.altitude },
  };
  const { damage } = frame.shot;
  if (jpegPath !== undefined) {
    const picture = develop(camera, raw, { stops: JPEG_STOPS, half: dngPath !== undefined });
    const jpeg = await writeJpeg({
      ...picture,
      quality: 88,
      exif: {
        ...exif,
        width: picture.width,
        height: picture.height,
        ...(said.pixelPitchUm === undefined
          ? {}
          : { pixelPitchUm: (said.pixelPitchUm * camera.width) / picture.width }),
      },
    });
    writeFileSync(jpegPath, damaged(jpeg, dngPath === undefined ? damage : undefined));
  }
  if (dngPath !== undefined) {
    const [r, g, b] = camera.multipliers;
    const dng = writeDng({
      width: camera.width,
      height: camera.height,
      data: raw,
      cfa: { width: 2, height: 2, colors: [0, 1, 1, 2] },
      blackLevel: camera.blackLevel,
      whiteLevel: camera.whiteLevel,
      colorMatrix: colorMatrixOf(camera),
      asShotNeutral: [1 / r, 1 / g, 1 / b],
      exif,
    });
    writeFileSync(dngPath, damaged(dng, damage));
  }
}

serveTasks({ writeFrame });
