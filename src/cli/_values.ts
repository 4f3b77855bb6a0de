import { InvalidArgumentError } from 'commander';

/** Reads a positive number; a fraction such as 1/250 is a number too. */
export function positive(text: string): number {
  const match = /^\s*(\d+(?:\.\d+)?)(?:\s*\/\s*(\d+(?:\.\d+)?))?\s*$/.exec(text);
  const value = match ? Number(match[1]) / Number(match[2] ?? 1) : Number.NaN;
  if (!(value > 0) || !Number.isFinite(value)) {
    throw new InvalidArgumentError(`Expected a number above 0, as in 2.8 or 1/250, but received "${text}".`);
  }
  return value;
}

/** Reads a whole number above 0. */
export function count(text: string): number {
  if (!/^\d{1,9}$/.test(text) || Number(text) === 0) {
    throw new InvalidArgumentError(`Expected a whole number above 0 but received "${text}".`);
  }
  return Number(text);
}

/** Reads any finite number. */
export function number(text: string): number {
  const value = Number(text);
  if (text.trim() === '' || !Number.isFinite(value)) {
    throw new InvalidArgumentError(`Expected a number but received "${text}".`);
  }
  return value;
}

/** Reads `LAT,LON` in signed decimals. */
export function position(text: string): { latitude: number; longitude: number } {
  const parts = text.split(',').map((part) => (part.trim() === '' ? Number.NaN : Number(part)));
  const [latitude, longitude] = parts;
  if (parts.length !== 2 || !(Math.abs(latitude!) <= 90) || !(Math.abs(longitude!) <= 180)) {
    throw new InvalidArgumentError(
      `Expected a position as latitude,longitude in signed decimals, as in -31.25,20.5, but received "${text}".`,
    );
  }
  return { latitude: latitude!, longitude: longitude! };
}

/** Reads `WIDTHxHEIGHT`, both above 0. */
export function size(text: string): { width: number; height: number } {
  const match = /^\s*(\d+(?:\.\d+)?)\s*[x×]\s*(\d+(?:\.\d+)?)\s*$/i.exec(text);
  const [width, height] = [Number(match?.[1]), Number(match?.[2])];
  if (!(width > 0 && height > 0)) {
    throw new InvalidArgumentError(`Expected a width and a height, as in 23.5x15.6, but received "${text}".`);
  }
  return { width, height };
}

/** Reads a calendar date `YYYY-MM-DD` that exists. */
export function date(text: string): string {
  const match = /^(\d{4})-(\d{2})-(\d{2})$/.exec(text);
  const day = match ? new Date(`${text}T00:00:00Z`) : undefined;
  if (!day || Number.isNaN(day.getTime()) || day.toISOString().slice(0, 10) !== text) {
    throw new InvalidArgumentError(`Expected a date that exists, as in 2026-08-12, but received "${text}".`);
  }
  return text;
}

/** Reads an IANA zone that this system knows. */
export function zone(text: string): string {
  try {
    new Intl.DateTimeFormat('en', { timeZone: text });
    return text;
  } catch {
    throw new InvalidArgumentError(
      `Expected a time zone such as Africa/Johannesburg but received "${text}".`,
    );
  }
}
