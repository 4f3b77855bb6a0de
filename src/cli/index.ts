/** Runs the command line and sets the exit code. */
export async function main(argv: readonly string[]): Promise<void> {
  process.stdout.write(`nightcairn ${argv.join(' ')}\n`);
}
