import type { Look } from './types.js';

/** Our own looks. A photographer may copy one to a JSON file and change any number. */
export const LOOKS: Readonly<Record<string, Look>> = {
  /** What the eye half remembers: dark sky, gentle band, stars with their colours. */
  'still-night': {
    name: 'still-night',
    skyLevel: 0.15,
    bandLevel: 0.46,
    saturation: 1.35,
    gradient: 1,
    neutralize: 1,
    starBalance: 1,
    landLevel: 0.11,
    smoothing: 0.35,
    starSoftening: 0,
  },
  /** Brighter, for a phone screen or a print on a bright wall. */
  'river-of-light': {
    name: 'river-of-light',
    skyLevel: 0.19,
    bandLevel: 0.56,
    saturation: 1.45,
    gradient: 1,
    neutralize: 1,
    starBalance: 1,
    landLevel: 0.15,
    smoothing: 0.45,
    starSoftening: 0,
  },
  /** As little as can be done: no gradient taken off, half the colour cast left, colours as recorded. */
  'as-it-was': {
    name: 'as-it-was',
    skyLevel: 0.13,
    bandLevel: 0.32,
    saturation: 1,
    gradient: 0,
    neutralize: 0.5,
    starBalance: 0,
    landLevel: 0.07,
    smoothing: 0,
    starSoftening: 0,
  },
};

export const DEFAULT_LOOK = 'still-night';
