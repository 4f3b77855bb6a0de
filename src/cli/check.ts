import type { Command } from 'commander';
import { many } from '../core/index.js';
import { runCommand, type SharedOptions, withShared } from './_command.js';
import { EXIT } from './_exit.js';

/** `check`. */
export function registerCheck(program: Command): void {
  withShared(
    program
      .command('check')
      .description('read every file of the library again and hold it against the catalogue')
      .option('--repair', 'link files that were moved or renamed inside the library'),
  ).action((options: SharedOptions & { readonly repair?: boolean }) =>
    runCommand(options, async (context) => {
      const { check } = await import('../workflow/index.js');
      const report = await check(context, { repair: options.repair });
      const everywhere = (what: 'missing' | 'changed' | 'unknown') =>
        [report, ...report.trash].flatMap((each) => each[what]);
      const lines = [
        `${many(report.filesChecked, 'file')} read again (${(report.bytesChecked / 1e6).toFixed(0)} MB).`,
        ...(report.masters.checked === 0 ? [] : [`${many(report.masters.checked, 'master')} looked at.`]),
        ...report.trash.map(
          ({ id, filesChecked }) => `${many(filesChecked, 'file')} of ${id} in the trash read again.`,
        ),
        ...everywhere('missing').map(({ path }) => `missing  ${path}`),
        ...everywhere('changed').map(({ path }) => `changed  ${path}`),
        ...everywhere('unknown').map(({ path }) => `unknown  ${path}`),
        ...report.masters.missing.map(({ message }) => `gone  ${message}`),
        ...report.masters.damaged.map(({ message }) => `damaged  ${message}`),
        ...report.relinked.map(({ from, to }) => `linked again  ${from} -> ${to}`),
        ...[report, ...report.trash].flatMap(({ database }) => database).map((said) => `catalogue  ${said}`),
        `Catalogue: ${report.database.length === 0 ? 'sound' : 'damaged'}, schema ${report.schema}.`,
        ...report.decoder.map((said) => `decoder  ${said}`),
        `Decoders: self-test ${report.decoder.length === 0 ? 'passed' : 'failed'} (${report.decoders.join('; ')}).`,
        report.sound
          ? 'Nothing is missing or changed, and the catalogue is sound.'
          : 'Something needs you; see above.',
      ];
      return { json: report, text: lines.join('\n'), ...(report.sound ? {} : { exit: EXIT.part }) };
    }),
  );
}
