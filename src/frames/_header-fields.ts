import type { FrameHeader } from '../core/index.js';

/** A header under construction: every field may still be missing. */
export type HeaderFields = {
  -readonly [Key in keyof Omit<FrameHeader, 'format' | 'formatName' | 'warnings'>]?:
    | FrameHeader[Key]
    | undefined;
} & { warnings: string[] };

/** A finished header: keys without a value are left out. */
export function finishHeader(
  kind: Pick<FrameHeader, 'format' | 'formatName'>,
  fields: HeaderFields,
  path: string,
): FrameHeader {
  const known = Object.fromEntries(Object.entries(fields).filter(([, value]) => value !== undefined));
  const fileNumber = fields.fileNumber ?? fileNumberOf(path);
  const camera = cameraName(fields.cameraMake, fields.cameraModel);
  return {
    ...known,
    ...kind,
    ...(fileNumber === undefined ? {} : { fileNumber }),
    ...(camera === undefined ? {} : { camera }),
    warnings: [...new Set(fields.warnings)],
  };
}

/** A date and what belongs to it come from one place or not at all. */
const TIME_KEYS = ['wallTime', 'subSecond', 'utcOffsetMinutes', 'timeIsGuess'];

/** Fills what is still missing from a second source. */
export function fillGaps(fields: HeaderFields, more: HeaderFields): void {
  const timed = fields.wallTime !== undefined;
  for (const [key, value] of Object.entries(more)) {
    if (key === 'warnings') fields.warnings.push(...more.warnings);
    else if (timed && TIME_KEYS.includes(key)) continue;
    else if ((fields as Record<string, unknown>)[key] === undefined) {
      (fields as Record<string, unknown>)[key] = value;
    }
  }
}

/** Words of a company's name that nobody says of a camera. */
const COMPANY_WORDS =
  /^(company|corporation|corp|co|ltd|inc|gmbh|ag|kg|camera|cameras|electric|electronics|optical|imaging|systems|system|computer|digital|technologies|technology|the|communications)$/i;

/** Make and model without the make said twice: `Canon` + `Canon EOS R6` is `Canon EOS R6`. */
export function cameraName(make: string | undefined, model: string | undefined): string | undefined {
  if (make === undefined) return model;
  const words = make.split(/[\s,.]+/).filter((word) => word !== '' && !COMPANY_WORDS.test(word));
  if (words.length === 0) return model ?? make;
  if (model === undefined) return words.map(titleCase).join(' ');
  const lower = model.toLowerCase();
  if (words.some((word) => word.length > 1 && lower.startsWith(word.toLowerCase()))) return model;
  return `${words.map(titleCase).join(' ')} ${model}`;
}

/** `NIKON` is `Nikon`; short names such as `GE` stay. */
function titleCase(word: string): string {
  return word.length > 3 && word === word.toUpperCase() ? word[0] + word.slice(1).toLowerCase() : word;
}

/**
 * The number in a file's own name, extension aside: the last four digits of a DCF name (`DSC_0123.NEF` is
 * 123, `DSC00001.ARW` is 1), else the digits at the end.
 * @source DCF 2.0 (JEITA CP-3461): four free characters, then 0001 to 9999
 */
export function fileNumberOf(path: string): number | undefined {
  const name = (path.split(/[\\/]/).pop() ?? '').replace(/(\.[a-z]+)?\.[^.]*$/i, '');
  const digits = /^[0-9a-z_]{4}(\d{4})$/i.exec(name)?.[1] ?? /(\d{1,9})$/.exec(name)?.[1];
  return digits === undefined ? undefined : Number(digits);
}

/** The number when it is finite and above zero: 0, 0/0 and n/0 mean unknown (L26). */
export function positive(value: number | undefined): number | undefined {
  return value !== undefined && Number.isFinite(value) && value > 0 ? value : undefined;
}

/** The number when it lies in a range that a camera can have. */
export function within(value: number | undefined, low: number, high: number): number | undefined {
  return value !== undefined && value >= low && value <= high ? value : undefined;
}

/**
 * `YYYY-MM-DDTHH:MM:SS` of an EXIF date, or undefined for blanks, zeros and dates that do not exist (L22).
 * @source Exif 2.32 4.6.5 DateTime: `YYYY:MM:DD HH:MM:SS`, unknown = blanks but for the colons
 */
export function parseExifTime(words: string | undefined): string | undefined {
  const match = /^(\d{4})[:\-/.](\d{2})[:\-/.](\d{2})[ T](\d{2}):(\d{2}):(\d{2})/.exec(words ?? '');
  if (match === null) return undefined;
  const [year, month, day, hour, minute, second] = match.slice(1).map(Number) as [
    number,
    number,
    number,
    number,
    number,
    number,
  ];
  if (year < 1900 || month < 1 || month > 12 || hour > 23 || minute > 59 || second > 60) return undefined;
  const daysInMonth = new Date(Date.UTC(year, month, 0)).getUTCDate();
  if (day < 1 || day > daysInMonth) return undefined;
  const [date, time] = [match.slice(1, 4).join('-'), match.slice(4, 7).join(':')];
  return `${date}T${second === 60 ? time.replace(/60$/, '59') : time}`;
}

/** Fraction of a second from the digits of a sub-second tag: `07` is 0.07 (L23). */
export function parseSubSecond(words: string | undefined): number | undefined {
  const digits = /^\s*(\d+)\s*$/.exec(words ?? '')?.[1];
  return digits === undefined ? undefined : Number(`0.${digits}`);
}

/** Minutes east of UTC of `+05:45`; undefined for anything that is no zone (L20, L21). */
export function parseOffset(words: string | undefined): number | undefined {
  const trimmed = (words ?? '').trim();
  if (trimmed === 'Z') return 0;
  const match = /^([+-])(\d{2}):?(\d{2})$/.exec(trimmed);
  if (match === null) return undefined;
  const minutes = (match[1] === '-' ? -1 : 1) * (Number(match[2]) * 60 + Number(match[3]));
  return Number(match[3]) < 60 && minutes % 15 === 0 && minutes >= -720 && minutes <= 840
    ? minutes + 0
    : undefined;
}
