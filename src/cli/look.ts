import type { Command } from 'commander';
import { runCommand, type SharedOptions, withShared } from './_command.js';
import { table } from './_table.js';

/** `look list`, `look show NAME`, `look copy NAME FILE`. */
export function registerLook(program: Command): void {
  const look = program
    .command('look')
    .description('looks of a picture: list ours, copy one to a file and edit it');
  withShared(look.command('list').description('our looks, and what each value does')).action(
    (options: SharedOptions) =>
      runCommand(options, async () => {
        const { listLooks, lookRow } = await import('../workflow/index.js');
        const { looks, parameters } = listLooks();
        const values = looks.map((entry) => lookRow(entry.look));
        return {
          json: {
            looks: looks.map(({ name, about }, i) => ({
              name,
              about,
              ...Object.fromEntries(parameters.map((parameter, k) => [parameter.name, values[i]![k]])),
            })),
            parameters: parameters.map(({ name, unit, from, to, effect }) => ({
              name,
              unit,
              from,
              to,
              effect,
            })),
          },
          text: [
            ...looks.map(({ name, about }) => `${name}: ${about}`),
            '',
            table(
              ['value', ...looks.map(({ name }) => name), 'range'],
              parameters.map(({ name, from, to, unit }, k) => [
                name,
                ...values.map((row) => row[k]),
                `${from} to ${to} ${unit}`,
              ]),
            ),
            '',
            ...parameters.map(({ name, effect }) => `${name}: ${effect}`),
          ].join('\n'),
        };
      }),
  );
  withShared(
    look
      .command('show')
      .description('a look as the text of a look file')
      .argument('<name>', 'look or look file'),
  ).action((name: string, options: SharedOptions) =>
    runCommand(options, async () => {
      const { lookText } = await import('../workflow/index.js');
      const text = await lookText(name);
      return { json: JSON.parse(text), text };
    }),
  );
  withShared(
    look
      .command('copy')
      .description('write a look to a new file, to be edited and given to --look')
      .argument('<name>', 'look or look file')
      .argument('<file>', 'the new file'),
  ).action((name: string, file: string, options: SharedOptions) =>
    runCommand(options, async () => {
      const { copyLook } = await import('../workflow/index.js');
      await copyLook(name, file);
      return {
        json: { look: name, file },
        text: `${file} holds the look ${name}; edit its values and use it with: nightcairn finish --look ${file}`,
      };
    }),
  );
}
