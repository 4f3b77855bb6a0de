import { InputError } from '../core/index.js';
import { LOOKS } from './looks.js';
import type { Look } from './types.js';

/** One parameter of a look as the photographer meets it: its name in a look file, unit, range and effect. */
export interface LookParameter {
  readonly field: Exclude<keyof Look, 'name'>;
  /** Its name in a look file, which says the unit. */
  readonly name: string;
  readonly unit: '%' | 'times';
  readonly from: number;
  readonly to: number;
  readonly effect: string;
}

/** Every parameter of a look. Percentages are of the picture's full brightness, or of the whole effect. */
export const LOOK_PARAMETERS: readonly LookParameter[] = [
  {
    field: 'skyLevel',
    name: 'skyPercent',
    unit: '%',
    from: 2,
    to: 50,
    effect: 'brightness of the blank sky in the picture; higher = a brighter night',
  },
  {
    field: 'bandLevel',
    name: 'bandPercent',
    unit: '%',
    from: 5,
    to: 95,
    effect:
      'brightness of the brightest broad part of the sky, the middle of the Milky Way; higher = more contrast',
  },
  {
    field: 'landLevel',
    name: 'landPercent',
    unit: '%',
    from: 0.5,
    to: 50,
    effect: 'brightness that typical land is lifted to; land that is brighter already is left alone',
  },
  {
    field: 'saturation',
    name: 'saturationTimes',
    unit: 'times',
    from: 0,
    to: 3,
    effect: 'strength of the colours; 1 = as recorded, 0 = grey',
  },
  {
    field: 'gradient',
    name: 'gradientPercent',
    unit: '%',
    from: 0,
    to: 100,
    effect: 'how much of the smooth glow over the sky is taken off; 0 = the sky as it was',
  },
  {
    field: 'neutralize',
    name: 'neutralPercent',
    unit: '%',
    from: 0,
    to: 100,
    effect: "how much of the blank sky's colour is taken off; 0 = as recorded, airglow and all",
  },
  {
    field: 'starBalance',
    name: 'starBalancePercent',
    unit: '%',
    from: 0,
    to: 100,
    effect:
      "how far the white balance follows the stars' known colours, where the stack knows where it points; 0 = the camera's own",
  },
  {
    field: 'smoothing',
    name: 'smoothingPercent',
    unit: '%',
    from: 0,
    to: 100,
    effect:
      'how much the grain of faint parts is smoothed; more by itself where fewer frames overlap; 0 = none',
  },
  {
    field: 'starSoftening',
    name: 'starSofteningPercent',
    unit: '%',
    from: 0,
    to: 90,
    effect: 'how much small stars are held back so that the band stands out; 0 = as recorded',
  },
];

const times = (parameter: LookParameter): number => (parameter.unit === '%' ? 100 : 1);

/** A value of a look in the unit of its parameter. */
export const inUnit = (parameter: LookParameter, look: Look): number =>
  Number((look[parameter.field] * times(parameter)).toPrecision(6));

/** Sets one parameter, given in its own unit. @throws {InputError} VALUE_OUT_OF_RANGE */
export function withParameter(look: Look, parameter: LookParameter, value: number, label: string): Look {
  if (!(value >= parameter.from && value <= parameter.to)) {
    throw new InputError(
      'VALUE_OUT_OF_RANGE',
      `Expected ${label} from ${parameter.from} to ${parameter.to} ${parameter.unit} but received ${value}.`,
    );
  }
  return { ...look, [parameter.field]: value / times(parameter) };
}

/** A look as the text of a look file, each parameter explained in it. */
export function writeLook(look: Look): string {
  const about = Object.fromEntries(
    LOOK_PARAMETERS.map(({ name, unit, from, to, effect }) => [
      name,
      `${from} to ${to} ${unit === '%' ? 'percent' : 'times'}: ${effect}`,
    ]),
  );
  return `${JSON.stringify({ look: look.name, ...lookValues(look), about }, null, 2)}\n`;
}

/** The parameters of a look by their names in a look file. */
export const lookValues = (look: Look): Record<string, number> =>
  Object.fromEntries(LOOK_PARAMETERS.map((parameter) => [parameter.name, inUnit(parameter, look)]));

/**
 * Reads a look file. Parameters that are not there keep the values of the look named by `like`, or of
 * still-night; `about` is for people and is not read.
 *
 * @param path for messages; its name is the look's name where the file gives none
 * @throws {InputError} VALUE_NOT_UNDERSTOOD, VALUE_OUT_OF_RANGE
 */
export function readLook(text: string, path: string): Look {
  let content: unknown;
  try {
    content = JSON.parse(text);
  } catch (cause) {
    throw new InputError(
      'VALUE_NOT_UNDERSTOOD',
      `Expected a look as JSON in ${path} but it cannot be read: ${(cause as Error).message}.`,
      { cause },
    );
  }
  if (typeof content !== 'object' || content === null || Array.isArray(content)) {
    throw new InputError(
      'VALUE_NOT_UNDERSTOOD',
      `Expected a look, { "look": NAME, ... }, in ${path}; "nightcairn look copy still-night FILE" writes one to start from.`,
    );
  }
  const { look: name, like, about: _about, ...values } = content as Record<string, unknown>;
  let look: Look = {
    ...builtInLook(typeof like === 'string' ? like : 'still-night'),
    name: nameIn(name, path),
  };
  for (const [key, value] of Object.entries(values)) {
    const parameter = LOOK_PARAMETERS.find((candidate) => candidate.name === key);
    if (!parameter) {
      throw new InputError(
        'VALUE_NOT_UNDERSTOOD',
        `Expected ${LOOK_PARAMETERS.map((known) => known.name).join(', ')} in the look ${path} but found ${JSON.stringify(key)}.`,
      );
    }
    if (typeof value !== 'number') {
      throw new InputError(
        'VALUE_NOT_UNDERSTOOD',
        `Expected a number for ${key} in the look ${path} but found ${JSON.stringify(value)}.`,
      );
    }
    look = withParameter(look, parameter, value, `${key} in the look ${path}`);
  }
  return look;
}

function nameIn(name: unknown, path: string): string {
  if (typeof name === 'string' && name.trim() !== '') return name.trim();
  return path.replace(/^.*[/\\]/, '').replace(/\.json$/i, '');
}

/** One of our own looks. @throws {InputError} VALUE_NOT_UNDERSTOOD */
export function builtInLook(name: string): Look {
  const look = LOOKS[name];
  if (!look) {
    throw new InputError(
      'VALUE_NOT_UNDERSTOOD',
      `Expected one of the looks ${Object.keys(LOOKS).join(', ')}, or a look file that exists, but received "${name}".`,
    );
  }
  return look;
}
