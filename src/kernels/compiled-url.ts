/**
 * Address of a module beside the caller, as compiled JavaScript that a worker thread can load.
 *
 * From compiled code this is the plain neighbour. From a TypeScript source (under the test runner) it is the
 * neighbour's compiled twin below `dist`, which `tsc -p src/tsconfig.json` makes.
 *
 * @param importMetaUrl the caller's `import.meta.url`
 * @param module relative address of the module, ending in `.js`, or of another file that the build puts in `dist`
 */
export function compiledUrl(importMetaUrl: string, module: string): URL {
  const url = new URL(module, importMetaUrl);
  if (!/\.ts(?:$|\?)/.test(importMetaUrl)) return url;
  // Greedy first group: the last `src` of the path is ours, whatever folder the repository lies in.
  const match = /^(.*)\/(src|sample-night)\/(.*)$/.exec(url.href);
  return match ? new URL(`${match[1]}/dist/${match[2]}/${match[3]}`) : url;
}
