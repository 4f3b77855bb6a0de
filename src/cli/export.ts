import { type Command, Option } from 'commander';
import { many } from '../core/index.js';
import { toSession } from '../library/index.js';
import type { CatalogueFormat, ExportConfig, ExportOutcome, WorkflowContext } from '../workflow/index.js';
import { type Outcome, runCommand, type SharedOptions, withShared } from './_command.js';
import { EXIT } from './_exit.js';
import { positive } from './_values.js';

interface ExportOptions extends SharedOptions {
  readonly to?: string;
  readonly hold?: ExportConfig['hold'];
  readonly tiff: boolean;
  readonly originals?: boolean;
  readonly besideOriginals?: boolean;
  readonly force?: boolean;
  readonly memory?: number;
  readonly catalogue?: CatalogueFormat;
}

function configOf(options: ExportOptions): Partial<ExportConfig> {
  return {
    tiff: options.tiff,
    ...(options.to === undefined ? {} : { to: options.to }),
    ...(options.hold === undefined ? {} : { hold: options.hold }),
    ...(options.originals === undefined ? {} : { originals: options.originals }),
    ...(options.besideOriginals === undefined ? {} : { besideOriginals: options.besideOriginals }),
    ...(options.force === undefined ? {} : { force: options.force }),
    ...(options.memory === undefined ? {} : { memoryBytes: options.memory * 1e6 }),
  };
}

function exportText(outcomes: readonly ExportOutcome[]): string {
  return outcomes
    .flatMap(({ sequenceId, folder, frames, notes, reason }) => {
      if (reason !== undefined || folder === undefined) {
        return [`${sequenceId}: nothing exported. ${reason ?? ''}`.trim()];
      }
      const written = (of: (frame: (typeof frames)[number]) => number) =>
        frames.reduce((sum, frame) => sum + of(frame), 0);
      const tiffs = written(({ tiff }) => (tiff === undefined ? 0 : 1));
      const copies = written(({ original }) => (original === undefined ? 0 : 1));
      const parts = [
        tiffs > 0 ? `${many(tiffs, 'frame')} calibrated and aligned` : '',
        copies > 0 ? `${many(copies, 'original')} copied` : '',
        many(
          written(({ sideCars }) => sideCars.length),
          'side-car',
        ),
      ].filter((part) => part !== '');
      return [`${sequenceId}: ${parts.join(', ')}.`, ...notes.map((note) => `  ${note}`), `  in  ${folder}`];
    })
    .join('\n');
}

/** `export --catalogue FORMAT`: tables for a spreadsheet or a script of one's own. */
async function exportRows(
  context: WorkflowContext,
  wanted: string | undefined,
  options: ExportOptions,
): Promise<Outcome> {
  const { exportCatalogue } = await import('../workflow/index.js');
  const written = await exportCatalogue(context, { format: options.catalogue!, wanted, to: options.to });
  return {
    json: written,
    text: [
      ...written.tables.map(({ name, file, rows }) => `${many(rows, name.slice(0, -1))}  ${file}`),
      `What each column means  ${written.columns}`,
    ].join('\n'),
  };
}

/** `export [SESSION or SEQUENCE]`. */
export function registerExport(program: Command): void {
  withShared(
    program
      .command('export')
      .description('kept frames, calibrated and aligned, for an editor, with the verdicts as XMP side-cars')
      .argument('[session]', 'session or sequence; the latest, or with --catalogue every night')
      .option('--to <dir>', 'folder for the files; by default "export" in the night\'s own folder')
      .addOption(
        new Option('--hold <what>', 'what stays in place from frame to frame (default: sky)').choices([
          'sky',
          'land',
        ]),
      )
      .option('--no-tiff', 'write the verdicts only')
      .option('--originals', 'copy the originals of all lights too, each with its side-car')
      .option('--beside-originals', 'write side-cars beside the originals in the library as well')
      .option('--force', 'use darks and flats that do not match')
      .addOption(
        new Option(
          '--catalogue <format>',
          'write the rows of the catalogue instead: nights, runs and frames',
        ).choices(['csv', 'jsonl']),
      )
      .option('--memory <mb>', 'memory for the work, MB', positive),
  ).action((target: string | undefined, options: ExportOptions) =>
    runCommand(options, async (context) => {
      if (options.catalogue !== undefined) return exportRows(context, target, options);
      const { exportFrames } = await import('../workflow/index.js');
      const { session, exports } = await exportFrames(context, target ?? 'latest', configOf(options));
      const made = exports.filter(({ reason }) => reason === undefined);
      return {
        json: { session: toSession(session), exports },
        text: exportText(exports),
        ...(made.length === exports.length ? {} : { exit: made.length === 0 ? EXIT.nothing : EXIT.part }),
      };
    }),
  );
}
