/** One piece of a page as a browser sees it. */
export interface Tag {
  readonly name: string;
  readonly attributes: ReadonlyMap<string, string>;
  readonly parents: readonly string[];
}

const VOID = new Set(['meta', 'img', 'br', 'link', 'input', 'hr']);

export const decode = (text: string): string =>
  text
    .replace(/&lt;/g, '<')
    .replace(/&gt;/g, '>')
    .replace(/&quot;/g, '"')
    .replace(/&#39;/g, "'")
    .replace(/&nbsp;/g, '\u00a0')
    .replace(/&amp;/g, '&');

/**
 * Reads a page strictly: every tag closed in order, every attribute quoted and named once, every `&` an
 * entity, no stray `<`. Throws on the first fault. Returns tags and the text between them.
 */
export function parsePage(page: string): { readonly tags: readonly Tag[]; readonly text: string } {
  const open: string[] = [];
  const tags: Tag[] = [];
  const texts: string[] = [];
  let at = 0;
  if (!page.startsWith('<!DOCTYPE html>')) throw new Error('no doctype');
  at = '<!DOCTYPE html>'.length;
  while (at < page.length) {
    const next = page.indexOf('<', at);
    const raw = page.slice(at, next === -1 ? page.length : next);
    if (/&(?!(?:amp|lt|gt|quot|nbsp|#39);)/.test(raw)) throw new Error(`bare & in ${raw.slice(0, 80)}`);
    if (raw.includes('>') && open.at(-1) !== 'style') throw new Error(`stray > in ${raw.slice(0, 80)}`);
    if (open.at(-1) !== 'style' && open.at(-1) !== 'title') texts.push(raw);
    if (next === -1) break;
    const match = /^<(\/?)([a-zA-Z][a-zA-Z0-9]*)((?:\s+[a-zA-Z][a-zA-Z0-9-]*="[^"<]*")*)\s*(\/?)>/.exec(
      page.slice(next),
    );
    if (!match) throw new Error(`not a tag: ${page.slice(next, next + 120)}`);
    const [whole, closing, name, attributeText, selfClosing] = match;
    if (closing) {
      const last = open.pop();
      if (last !== name) throw new Error(`</${name}> closes <${last}>`);
    } else {
      const attributes = new Map<string, string>();
      for (const [, key, value] of attributeText!.matchAll(/\s+([a-zA-Z][a-zA-Z0-9-]*)="([^"<]*)"/g)) {
        if (attributes.has(key!)) throw new Error(`${key} twice in ${whole}`);
        if (/&(?!(?:amp|lt|gt|quot|nbsp|#39);)/.test(value!)) throw new Error(`bare & in ${whole}`);
        attributes.set(key!, decode(value!));
      }
      tags.push({ name: name!, attributes, parents: [...open] });
      if (!selfClosing && !VOID.has(name!)) open.push(name!);
    }
    at = next + whole.length;
    texts.push(' ');
  }
  if (open.length > 0) throw new Error(`never closed: ${open.join(', ')}`);
  return { tags, text: decode(texts.join('')) };
}
