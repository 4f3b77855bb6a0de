import { InputError } from '../core/index.js';

/** Throws unless `value` is a finite number within [min, max]; the sentence names what it is and its unit. */
export function checkRange(
  name: string,
  value: number,
  range: { readonly min: number; readonly max: number; readonly unit?: string },
): number {
  if (typeof value === 'number' && value >= range.min && value <= range.max) return value;
  const unit = range.unit === undefined ? '' : ` ${range.unit}`;
  throw new InputError(
    'VALUE_OUT_OF_RANGE',
    `Expected ${name} from ${range.min} to ${range.max}${unit} but received ${String(value)}.`,
    { details: { name, min: range.min, max: range.max } },
  );
}

/** Throws unless `value` is a finite number above 0. */
export function checkPositive(name: string, value: number, unit = ''): number {
  if (typeof value === 'number' && value > 0 && Number.isFinite(value)) return value;
  throw new InputError(
    'VALUE_OUT_OF_RANGE',
    `Expected ${name} above 0${unit === '' ? '' : ` ${unit}`} but received ${String(value)}.`,
    { details: { name } },
  );
}

/** Throws unless the date is a real instant. */
export function checkInstant(name: string, instant: Date): Date {
  if (instant instanceof Date && Number.isFinite(instant.getTime())) return instant;
  throw new InputError(
    'VALUE_NOT_UNDERSTOOD',
    `Expected an instant for ${name} but received an invalid date.`,
  );
}
