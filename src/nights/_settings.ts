import type { FrameHeader } from '../core/index.js';

/** Real shutters run up to about 7 % off the nominal ones (16 s for 15 s); a third of a stop is 26 % (P03). */
const SHUTTER_TOLERANCE = 0.1;
const ISO_TOLERANCE = 0.03;
const APERTURE_TOLERANCE = 0.04;
const FOCAL_TOLERANCE = 0.02;
/** Shutters of one bracket differ by this factor at most. */
export const BRACKET_FACTOR = 2.5;

/** Whether two positive numbers agree within a share of the larger; an unknown agrees with anything. */
export function agrees(a: number | undefined, b: number | undefined, tolerance: number): boolean {
  if (a === undefined || b === undefined) return true;
  return Math.abs(a - b) <= tolerance * Math.max(a, b);
}

/** Shutters that are the same setting, nominal or real. */
export function sameShutter(a: FrameHeader, b: FrameHeader): boolean {
  return agrees(a.exposureTime, b.exposureTime, SHUTTER_TOLERANCE);
}

/** Same lens, focal length, aperture, ISO and picture size; a field that a file does not have agrees with anything. */
export function sameSettingsButShutter(a: FrameHeader, b: FrameHeader): boolean {
  return (
    agrees(a.iso, b.iso, ISO_TOLERANCE) &&
    agrees(a.fNumber, b.fNumber, APERTURE_TOLERANCE) &&
    agrees(a.focalLengthMm, b.focalLengthMm, FOCAL_TOLERANCE) &&
    (a.lens === undefined || b.lens === undefined || a.lens === b.lens) &&
    sameSize(a, b)
  );
}

/** Same settings, shutter included. */
export function sameSettings(a: FrameHeader, b: FrameHeader): boolean {
  return sameShutter(a, b) && sameSettingsButShutter(a, b);
}

/** Same picture size as stored; unknown agrees. */
export function sameSize(a: FrameHeader, b: FrameHeader): boolean {
  return (
    (a.width === undefined || b.width === undefined || a.width === b.width) &&
    (a.height === undefined || b.height === undefined || a.height === b.height)
  );
}

/** What is known of the settings of a run so far: the first known value of each field. */
export function knownSettings(known: FrameHeader | undefined, next: FrameHeader): FrameHeader {
  if (!known) return next;
  const filled: Record<string, unknown> = { ...known };
  for (const field of ['exposureTime', 'iso', 'fNumber', 'focalLengthMm', 'lens', 'width', 'height'] as const)
    if (filled[field] === undefined && next[field] !== undefined) filled[field] = next[field];
  return filled as unknown as FrameHeader;
}

/** Relative amount of light that the settings let in: shutter x ISO / aperture squared; undefined when unknown. */
export function lightGathered(header: FrameHeader): number | undefined {
  if (header.exposureTime === undefined || header.iso === undefined) return undefined;
  return (header.exposureTime * header.iso) / (header.fNumber ?? 2.8) ** 2;
}

/** Settings as a person writes them: `15 s, ISO 3200, f/2.8, 14 mm`. */
export function settingsText(header: FrameHeader, { shutter } = { shutter: true }): string {
  const parts: string[] = [];
  if (shutter && header.exposureTime !== undefined) parts.push(shutterText(header.exposureTime));
  if (header.iso !== undefined) parts.push(`ISO ${header.iso}`);
  if (header.fNumber !== undefined) parts.push(`f/${header.fNumber}`);
  if (header.focalLengthMm !== undefined) parts.push(`${header.focalLengthMm} mm`);
  return parts.length > 0 ? parts.join(', ') : 'unknown settings';
}

/** `1/4000 s`, `0.7 s`, `15 s`. */
export function shutterText(seconds: number): string {
  if (seconds < 0.3) return `1/${Math.round(1 / seconds)} s`;
  return `${Number(seconds.toPrecision(3))} s`;
}
