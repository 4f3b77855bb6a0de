import { ERROR_CODES, type ErrorCode } from './error-codes.js';

/** Plain JSON that a caller may show or store beside an error. */
export type ErrorDetails = Readonly<Record<string, string | number | boolean | null | undefined>>;

/** What every error of ours carries besides its sentence. */
export interface ErrorOptionsOfOurs {
  readonly details?: ErrorDetails;
  readonly cause?: unknown;
}

/**
 * Any error that we raise on purpose. The message is one sentence: what was expected, what was found,
 * where, and what to do next. `code` is stable and listed in `error-codes.ts`.
 */
export class NightcairnError extends Error {
  readonly code: ErrorCode;
  readonly details: ErrorDetails;

  constructor(code: ErrorCode, message: string, options: ErrorOptionsOfOurs = {}) {
    super(message, options.cause === undefined ? undefined : { cause: options.cause });
    if (!(code in ERROR_CODES)) throw new TypeError(`unlisted error code ${code}`);
    this.name = new.target.name;
    this.code = code;
    this.details = options.details ?? {};
  }
}

/** A flag, a value in a configuration or a query that is out of range; raised before any work. Exit code 2. */
export class InputError extends NightcairnError {}

/** A file that is truncated, corrupt, unknown or unsupported. The frame is `unusable`, the run goes on. */
export class FormatError extends NightcairnError {
  readonly path: string | undefined;
  readonly byteOffset: number | undefined;

  constructor(
    code: ErrorCode,
    message: string,
    options: ErrorOptionsOfOurs & {
      readonly path?: string | undefined;
      readonly byteOffset?: number;
    } = {},
  ) {
    super(code, message, options);
    this.path = options.path;
    this.byteOffset = options.byteOffset;
  }
}

/** A sound frame that cannot be used: no stars, another size, all saturated. The run goes on. */
export class DataError extends NightcairnError {}

/** Disk full, card pulled, database locked, no permission. The stage stops cleanly and can be resumed. */
export class StorageError extends NightcairnError {
  readonly path: string | undefined;

  constructor(
    code: ErrorCode,
    message: string,
    options: ErrorOptionsOfOurs & { readonly path?: string | undefined } = {},
  ) {
    super(code, message, options);
    this.path = options.path;
  }
}

/** The work was stopped by the person (Ctrl-C) or by the stage that asked for it. */
export class Cancelled extends NightcairnError {
  constructor(message = 'Stopped on request; nothing half-done was left behind.') {
    super('CANCELLED', message);
  }
}

/** Throws `Cancelled` when the signal was raised. Call it between units of work. */
export function throwIfCancelled(signal: AbortSignal | undefined): void {
  if (signal?.aborted) throw new Cancelled();
}

/** An error as plain data, to cross a thread or land in the catalogue. */
export interface PlainError {
  readonly class: string;
  readonly code: string;
  readonly message: string;
  readonly details: ErrorDetails;
  readonly path?: string;
  readonly byteOffset?: number;
  readonly stack?: string;
}

/** Turns any thrown value into plain data; a foreign error gets code `INTERNAL`. */
export function toPlainError(error: unknown): PlainError {
  if (error instanceof NightcairnError) {
    return {
      class: error.name,
      code: error.code,
      message: error.message,
      details: error.details,
      ...(error instanceof FormatError || error instanceof StorageError
        ? error.path === undefined
          ? {}
          : { path: error.path }
        : {}),
      ...(error instanceof FormatError && error.byteOffset !== undefined
        ? { byteOffset: error.byteOffset }
        : {}),
      ...(error.stack === undefined ? {} : { stack: error.stack }),
    };
  }
  const plain = error instanceof Error ? error : new Error(String(error));
  return {
    class: 'Error',
    code: 'INTERNAL',
    message: plain.message,
    details: {},
    ...(plain.stack === undefined ? {} : { stack: plain.stack }),
  };
}

/** Rebuilds an error that crossed a thread, with its class, code and the far side's stack. */
export function fromPlainError(plain: PlainError): Error {
  const code = plain.code as ErrorCode;
  const details = { details: plain.details };
  const place = { ...details, path: plain.path };
  let error: Error;
  switch (plain.class) {
    case 'InputError':
      error = new InputError(code, plain.message, details);
      break;
    case 'FormatError':
      error = new FormatError(code, plain.message, {
        ...place,
        ...(plain.byteOffset === undefined ? {} : { byteOffset: plain.byteOffset }),
      });
      break;
    case 'DataError':
      error = new DataError(code, plain.message, details);
      break;
    case 'StorageError':
      error = new StorageError(code, plain.message, place);
      break;
    case 'Cancelled':
      error = new Cancelled(plain.message);
      break;
    default:
      error = new Error(plain.message);
  }
  if (plain.stack !== undefined) error.stack = plain.stack;
  return error;
}
