/** Markup that is already safe. */
export class Markup {
  constructor(readonly text: string) {}
}

const ESCAPES: Readonly<Record<string, string>> = {
  '&': '&amp;',
  '<': '&lt;',
  '>': '&gt;',
  '"': '&quot;',
  "'": '&#39;',
};

/**
 * Escapes text from files and people: markup characters, and characters that no page should carry: control
 * codes, and marks that turn the direction of the text around them.
 */
export function escapeText(text: string): string {
  return text
    .replace(/(?![\t\n\r])\p{Cc}|[\u202a-\u202e\u2066-\u2069\ufffe\uffff]/gu, '')
    .replace(/[&<>"']/g, (character) => ESCAPES[character]!);
}

type Piece = string | number | Markup | undefined | false | readonly Piece[];

function render(piece: Piece): string {
  if (piece === undefined || piece === false) return '';
  if (piece instanceof Markup) return piece.text;
  if (Array.isArray(piece)) return piece.map(render).join('');
  return escapeText(String(piece));
}

/** A template for markup: every value put in is escaped unless it is markup itself. */
export function html(parts: TemplateStringsArray, ...values: readonly Piece[]): Markup {
  return new Markup(
    parts.reduce((text, part, i) => text + part + render(i < values.length ? values[i] : ''), ''),
  );
}

/** Cuts a long text from outside to something a page can bear. */
export function shorten(text: string, length = 200): string {
  const characters = Array.from(text);
  return characters.length <= length ? text : `${characters.slice(0, length - 1).join('')}…`;
}
