/**
 * Every error code of the program, once. A code is never re-used for another meaning. The README's error
 * table and this one are held equal by a test.
 */
export const ERROR_CODES = {
  // what was asked
  USAGE: 'a command, flag or value that the command line does not know',
  VALUE_OUT_OF_RANGE: 'a value outside its range',
  VALUE_NOT_UNDERSTOOD: 'a value that could not be read (a date, a position, a range)',
  UNKNOWN_ID: 'a session, sequence, frame, stack, plan or site that is not in the library',
  CARD_MISSING: 'the card or folder named is not there',
  NO_FRAMES: 'the folder holds no frames',
  NOTHING_TO_DO: 'there is nothing to do for this command',
  // files
  UNKNOWN_FORMAT: 'a file whose signature is none of ours',
  UNSUPPORTED_FORMAT: 'a known format, or a variant of one, that is not read',
  TRUNCATED: 'a file that ends before its own description says',
  CORRUPT: 'a file whose structure contradicts itself',
  EMPTY_FILE: 'a file of zero bytes',
  ALL_ZERO: 'a file whose bytes are all zero, as from a failing or counterfeit card',
  TOO_LARGE: 'a picture or block beyond the limits we accept',
  DECODER_LIMIT: 'a sound-looking file that the RAW decoder cannot decode',
  NO_PIXELS: 'a file with a header but without picture data',
  // frames that cannot be used
  NO_STARS: 'too few stars to measure or to align',
  SIZE_MISMATCH: 'a frame whose size or sensor pattern differs from its run',
  NO_ALIGNMENT: 'a frame that does not fit the motion of the sky',
  CALIBRATION_MISMATCH: 'a dark, flat or bias that does not match its lights',
  TOO_FEW_FRAMES: 'fewer frames than the method needs',
  // storage
  DISK_FULL: 'no space left where the library or the scratch folder is',
  NOT_WRITABLE: 'a folder or file that may not be written',
  NOT_READABLE: 'a file or folder that may not be read',
  CARD_LOST: 'the card disappeared while it was read',
  COPY_MISMATCH: 'a copy that read back differently from its source',
  CATALOGUE_BUSY: 'another program holds the catalogue',
  CATALOGUE_DAMAGED: 'the catalogue fails its integrity check',
  CATALOGUE_NEWER: 'the catalogue was written by a newer version',
  // other
  CANCELLED: 'stopped on request',
  INTERNAL: 'a fault of ours',
} as const;

export type ErrorCode = keyof typeof ERROR_CODES;
