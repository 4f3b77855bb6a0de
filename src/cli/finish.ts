import type { Command } from 'commander';
import { InputError } from '../core/index.js';
import { toSession } from '../library/index.js';
import type { CropChoice, FinishedPicture, LookChange } from '../workflow/index.js';
import { runCommand, type SharedOptions, withShared } from './_command.js';

interface FinishOptions extends SharedOptions {
  readonly look?: string;
  readonly skyLevel?: string;
  readonly bandLevel?: string;
  readonly landLevel?: string;
  readonly saturation?: string;
  /** False with `--no-gradient`. */
  readonly gradient?: string | boolean;
  readonly neutral?: string;
  readonly starBalance?: string;
  readonly smoothing?: string;
  readonly starSoftening?: string;
  readonly crop?: string;
  readonly name?: string;
  readonly location?: boolean;
}

/** Options that change one parameter of the look: flag, field, words. */
const PARAMETERS = [
  ['--sky-level', 'skyLevel', '<percent>', 'brightness of the blank sky in the picture, 2 to 50 %'],
  ['--band-level', 'bandLevel', '<percent>', 'brightness of the middle of the Milky Way, 5 to 95 %'],
  ['--land-level', 'landLevel', '<percent>', 'brightness that dark land is lifted to, 0.5 to 50 %'],
  ['--saturation', 'saturation', '<times>', 'strength of the colours, 0 to 3 times; 1 = as recorded'],
  [
    '--gradient',
    'gradient',
    '<percent>',
    'how much of the smooth glow over the sky is taken off, 0 to 100 %',
  ],
  ['--neutral', 'neutralize', '<percent>', "how much of the blank sky's colour is taken off, 0 to 100 %"],
  [
    '--star-balance',
    'starBalance',
    '<percent>',
    "how far the white balance follows the stars' known colours, 0 to 100 %",
  ],
  ['--smoothing', 'smoothing', '<percent>', 'how much the grain of faint parts is smoothed, 0 to 100 %'],
  ['--star-softening', 'starSoftening', '<percent>', 'how much small stars are held back, 0 to 90 %'],
] as const;

function changesOf(options: FinishOptions): LookChange[] {
  const given: Readonly<Record<string, string | boolean | undefined>> = {
    ...options,
    neutralize: options.neutral,
    ...(options.gradient === false ? { gradient: '0' } : {}),
  } as never;
  return PARAMETERS.flatMap(([flag, field, unit]): LookChange[] => {
    const value = given[field];
    if (typeof value !== 'string') return [];
    const number = Number(value.replace(/%$/, ''));
    if (value.trim() === '' || !Number.isFinite(number)) {
      throw new InputError(
        'VALUE_NOT_UNDERSTOOD',
        `Expected a number of ${unit.slice(1, -1)} for ${flag} but received "${value}".`,
      );
    }
    return [{ field, value: number, label: flag }];
  });
}

function cropOf(text: string): CropChoice {
  if (text === 'covered' || text === 'whole' || text === 'sharp') return text;
  const numbers = text.split(',').map(Number);
  const [x, y, width, height] = numbers;
  if (
    numbers.length !== 4 ||
    !numbers.every((value) => Number.isInteger(value) && value >= 0) ||
    !width ||
    !height
  ) {
    throw new InputError(
      'VALUE_NOT_UNDERSTOOD',
      `Expected covered, whole, sharp or LEFT,TOP,WIDTH,HEIGHT in px for --crop but received "${text}".`,
    );
  }
  return { x: x!, y: y!, width, height };
}

function pictureText({ stack, name, look, width, height, clippedShare }: FinishedPicture): string {
  return [
    `${stack.id}: ${name}, ${width} x ${height} px, look ${look.name}; ${(100 * clippedShare).toFixed(2)} % of it is burnt out.`,
    `  picture  ${stack.files.pictureJpeg}`,
    `           ${stack.files.pictureTiff}`,
    `  recipe   ${stack.files.pictureRecipe}`,
  ].join('\n');
}

/** `finish STACK`. */
export function registerFinish(program: Command): void {
  const command = program
    .command('finish')
    .description('make the picture again from a stack, with another look or other values, in seconds')
    .argument('[stack]', 'stack, its folder, sequence or session', 'latest')
    .option('--look <name-or-file>', 'one of our looks, or your own look file; "look list" names ours')
    .option('--crop <what>', 'covered, whole, sharp, or LEFT,TOP,WIDTH,HEIGHT in px of the whole picture')
    .option('--name <name>', 'what to call it; pictures of one stack stand side by side')
    .option('--location', 'tell the place of the night in the picture (EXIF); never done unasked');
  for (const [flag, , unit, words] of PARAMETERS) command.option(`${flag} ${unit}`, words);
  command.option('--no-gradient', 'leave the glow of the sky as it was');
  withShared(command).action((target: string, options: FinishOptions) =>
    runCommand(options, async (context) => {
      const { finish } = await import('../workflow/index.js');
      const changes = changesOf(options);
      const { session, pictures } = await finish(context, target, {
        ...(options.look === undefined ? {} : { look: options.look }),
        ...(options.crop === undefined ? {} : { crop: cropOf(options.crop) }),
        ...(options.name === undefined ? {} : { name: options.name }),
        ...(options.location === undefined ? {} : { location: options.location }),
        changes,
      });
      return {
        json: {
          session: toSession(session),
          stacks: pictures.map(({ stack }) => stack),
          pictures: pictures.map(({ stack, look, ...picture }) => ({
            stackId: stack.id,
            ...picture,
            look: look.name,
          })),
        },
        text: pictures.map(pictureText).join('\n'),
      };
    }),
  );
}
