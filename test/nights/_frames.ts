import type { FrameHeader } from '../../src/core/index.js';
import type { FrameForGrouping, FrameGlimpse } from '../../src/nights/index.js';

export interface RunOfFrames {
  readonly name: string;
  readonly start: string;
  readonly count: number;
  /** s from start to start. */
  readonly every?: number;
  readonly exposureTime?: number;
  readonly iso?: number;
  readonly firstNumber?: number;
  readonly folder?: string;
  readonly header?: Partial<FrameHeader>;
  readonly glimpse?: (i: number) => FrameGlimpse | undefined;
}

/** A plain run of frames by the clock. */
export function run(options: RunOfFrames): FrameForGrouping[] {
  const { name, start, count, every = 16, exposureTime = 15, iso = 3200, firstNumber = 1 } = options;
  return Array.from({ length: count }, (_, i) => {
    const number = ((firstNumber + i - 1) % 9999) + 1;
    const glimpse = options.glimpse?.(i);
    return {
      id: `${name}${String(i).padStart(4, '0')}`,
      path: `${options.folder ?? `DCIM/${name}`}/IMG_${String(number).padStart(4, '0')}.RAW`,
      startMs: Date.parse(start) + i * every * 1000,
      header: {
        format: 'raw',
        formatName: 'RAW',
        camera: 'Harrow H2',
        exposureTime,
        iso,
        fNumber: 2.8,
        focalLengthMm: 24,
        focalLength35Mm: 24,
        width: 6000,
        height: 4000,
        fileNumber: number,
        warnings: [],
        ...options.header,
      } satisfies FrameHeader,
      ...(glimpse ? { glimpse } : {}),
    };
  });
}
