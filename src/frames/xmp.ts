/** What an XMP packet says of a picture. */
export interface XmpFields {
  /** -1 = rejected, 0 = not rated, 1 to 5. */
  readonly rating?: number;
  /** A word that sorts pictures. */
  readonly label?: string;
  /** Description in plain text, any language and script. */
  readonly description?: string;
  /** Words to search by. */
  readonly keywords?: readonly string[];
  /** The program that wrote it. */
  readonly creatorTool?: string;
}

/** Characters that XML 1.0 cannot hold at all are left out; the rest is escaped. @source XML 1.0 sections 2.2, 2.4 */
function escapeXml(text: string): string {
  return [...text]
    .filter((letter) => {
      const code = letter.codePointAt(0)!;
      if (code >= 0xd800 && code <= 0xdfff) return false;
      return code === 9 || code === 10 || code === 13 || (code >= 32 && code !== 0xfffe && code !== 0xffff);
    })
    .join('')
    .replaceAll('&', '&amp;')
    .replaceAll('<', '&lt;')
    .replaceAll('>', '&gt;')
    .replaceAll('"', '&quot;');
}

/**
 * Writes an XMP packet: RDF/XML with the standard's own properties only, so that any editor can read it. The
 * same packet does as a side-car and as tag 700 of a TIFF.
 *
 * @source ISO 16684-1:2012 sections 7.3.2 (packet), 7.5 (RDF), 8.3 (dc), 8.4 (xmp: CreatorTool, Label, Rating)
 */
export function writeXmp(fields: XmpFields): string {
  const { rating, label, description, keywords, creatorTool } = fields;
  const simple = (name: string, value: string | undefined) =>
    value === undefined ? [] : [`      <${name}>${escapeXml(value)}</${name}>`];
  const lines = [
    ...simple('xmp:Rating', rating === undefined ? undefined : String(rating)),
    ...simple('xmp:Label', label),
    ...simple('xmp:CreatorTool', creatorTool),
    ...(description === undefined
      ? []
      : [
          '      <dc:description>',
          '        <rdf:Alt>',
          `          <rdf:li xml:lang="x-default">${escapeXml(description)}</rdf:li>`,
          '        </rdf:Alt>',
          '      </dc:description>',
        ]),
    ...(keywords === undefined || keywords.length === 0
      ? []
      : [
          '      <dc:subject>',
          '        <rdf:Bag>',
          ...keywords.map((word) => `          <rdf:li>${escapeXml(word)}</rdf:li>`),
          '        </rdf:Bag>',
          '      </dc:subject>',
        ]),
  ];
  return [
    '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>',
    '<x:xmpmeta xmlns:x="adobe:ns:meta/">',
    '  <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">',
    '    <rdf:Description rdf:about=""',
    '        xmlns:xmp="http://ns.adobe.com/xap/1.0/"',
    '        xmlns:dc="http://purl.org/dc/elements/1.1/">',
    ...lines,
    '    </rdf:Description>',
    '  </rdf:RDF>',
    '</x:xmpmeta>',
    '<?xpacket end="w"?>',
    '',
  ].join('\n');
}
