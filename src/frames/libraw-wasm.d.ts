/** The RAW decoder's own module, without the browser worker that the package puts around it. */
declare module 'libraw-wasm/dist/libraw.js' {
  export interface Decoder {
    open(bytes: Uint8Array, settings: object): void;
    metadata(full: boolean): unknown;
    rawImageData(): unknown;
    imageData(): unknown;
    thumbnailData(): unknown;
    delete(): void;
  }
  export interface DecoderModule {
    readonly LibRaw: new () => Decoder;
  }
  const factory: (options: {
    wasmBinary: Uint8Array;
    print?: (line: string) => void;
    printErr?: (line: string) => void;
  }) => Promise<DecoderModule>;
  // biome-ignore lint/style/noDefaultExport: this is how the package exports it
  export default factory;
}
