/**
 * Inflates a gzip or zlib stream, never past `limit` bytes.
 *
 * @returns the bytes, at most `limit`; `complete` is false when the stream broke off or broke (what came
 * before is returned), or when more than `limit` bytes were in it
 * @source RFC 1950, RFC 1952 by the platform's own decoder (Compression Streams standard)
 */
export async function inflate(
  data: Uint8Array,
  format: 'gzip' | 'deflate',
  limit: number,
): Promise<{ readonly bytes: Uint8Array; readonly complete: boolean; readonly tooLarge: boolean }> {
  const stream = new Blob([data as Uint8Array<ArrayBuffer>])
    .stream()
    .pipeThrough(new DecompressionStream(format));
  const reader = stream.getReader();
  const chunks: Uint8Array[] = [];
  let size = 0;
  let complete = true;
  let tooLarge = false;
  try {
    for (;;) {
      const { done, value } = await reader.read();
      if (done) break;
      const chunk = value as Uint8Array;
      if (size + chunk.byteLength > limit) {
        chunks.push(chunk.subarray(0, limit - size));
        size = limit;
        tooLarge = true;
        complete = false;
        await reader.cancel();
        break;
      }
      chunks.push(chunk);
      size += chunk.byteLength;
    }
  } catch {
    // A broken or cut stream: what came out before it broke is handed back, marked incomplete.
    complete = false;
  }
  const bytes = new Uint8Array(size);
  let at = 0;
  for (const chunk of chunks) {
    bytes.set(chunk, at);
    at += chunk.byteLength;
  }
  return { bytes, complete, tooLarge };
}
