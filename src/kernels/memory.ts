/** A run of values in a kernel memory. `data` is a fresh view at each reading, valid until the memory grows. */
export interface Block<T> {
  /** First byte. */
  readonly offset: number;
  /** Number of values. */
  readonly length: number;
  readonly data: T;
}

export type F32Block = Block<Float32Array>;
export type F64Block = Block<Float64Array>;
export type U16Block = Block<Uint16Array>;

/** One linear memory, filled from the bottom up and emptied as a whole. */
export interface KernelMemory {
  f32(length: number): F32Block;
  f64(length: number): F64Block;
  u16(length: number): U16Block;
  /** Remembers how full the memory is, to give back what was taken after it. */
  mark(): number;
  /** Gives back everything taken since `mark`; without it, everything. Blocks from there on are void. */
  reset(mark?: number): void;
  /** Bytes in use now, and the most there ever were. */
  readonly used: number;
  readonly peak: number;
}

/** Alignment of a block, bytes: a cache line. */
const ALIGNMENT = 64;

/**
 * Makes a memory over a growable store of bytes.
 *
 * @param buffer gives the present buffer; it may be another one after `grow`
 * @param grow makes the buffer at least this many bytes long, or throws
 * @param base first byte that may be used
 */
export function makeMemory(
  buffer: () => ArrayBufferLike,
  grow: (bytes: number) => void,
  base = 0,
): KernelMemory {
  const start = Math.ceil(base / ALIGNMENT) * ALIGNMENT;
  let top = start;
  let peak = start;

  function take<T>(length: number, size: number, view: (offset: number) => T): Block<T> {
    if (!Number.isInteger(length) || length < 0)
      throw new RangeError(`Expected a length >= 0, got ${length}`);
    const offset = top;
    top = Math.ceil((offset + length * size) / ALIGNMENT) * ALIGNMENT;
    if (top > buffer().byteLength) grow(top);
    peak = Math.max(peak, top);
    return {
      offset,
      length,
      get data() {
        return view(offset);
      },
    };
  }

  return {
    f32: (length) => take(length, 4, (offset) => new Float32Array(buffer(), offset, length)),
    f64: (length) => take(length, 8, (offset) => new Float64Array(buffer(), offset, length)),
    u16: (length) => take(length, 2, (offset) => new Uint16Array(buffer(), offset, length)),
    mark: () => top,
    reset: (mark = start) => {
      if (mark < start || mark > top) throw new RangeError(`Expected a mark in use, got ${mark}`);
      top = mark;
    },
    get used() {
      return top - start;
    },
    get peak() {
      return peak - start;
    },
  };
}

/** A memory without WebAssembly, for the plain twins. */
export function plainMemory(): KernelMemory {
  let bytes: ArrayBuffer = new ArrayBuffer(0);
  return makeMemory(
    () => bytes,
    (needed) => {
      const larger = new ArrayBuffer(Math.max(needed, 2 * bytes.byteLength));
      new Uint8Array(larger).set(new Uint8Array(bytes));
      bytes = larger;
    },
  );
}
