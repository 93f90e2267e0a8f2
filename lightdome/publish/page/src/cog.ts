// Cloud Optimized GeoTIFF: levels, raw decoded tiles for the picture, windows of full resolution for measuring.

import { fromUrl, Pool, type GeoTIFF, type GeoTIFFImage } from 'geotiff';

const WORKERS = Math.min(4, Math.max(1, navigator.hardwareConcurrency - 1));
const pool = new Pool(
  WORKERS,
  () => new Worker(new URL('./decode-worker.ts', import.meta.url), { type: 'module' }),
);

/** GeoTIFF tags that a decoder wants to know of. */
const COMPRESSION = 'Compression';
const LERC = 'LercParameters';

export interface Level {
  width: number;
  height: number;
  tilesAcross: number;
  tilesDown: number;
}

type Decoder = ReturnType<Pool['bindParameters']>;

/** One file: its levels from full resolution to the coarsest. */
export class Cog {
  readonly levels: Level[];
  readonly tile_px: number;

  private constructor(
    readonly address: string,
    private readonly images: GeoTIFFImage[],
    private readonly decoders: Decoder[],
  ) {
    this.tile_px = images[0].getTileWidth();
    this.levels = images.map((image) => ({
      width: image.getWidth(),
      height: image.getHeight(),
      tilesAcross: Math.ceil(image.getWidth() / image.getTileWidth()),
      tilesDown: Math.ceil(image.getHeight() / image.getTileHeight()),
    }));
  }

  /** Read the heads of a file; throws where the server answers no byte ranges or the file is not tiled alike. */
  static async open(address: string): Promise<Cog> {
    const file: GeoTIFF = await fromUrl(address, { allowFullFile: false, blockSize: 65536, cacheSize: 200 } as never);
    const count = await file.getImageCount();
    const images: GeoTIFFImage[] = [];
    for (let index = 0; index < count; index += 1) {
      const image = await file.getImage(index);
      const isMask = ((image.fileDirectory.getValue('NewSubfileType') as number) ?? 0) & 4;
      if (!isMask) images.push(image);
    }
    images.sort((a, b) => b.getWidth() - a.getWidth());
    const decoders = await Promise.all(images.map(decoderOf));
    return new Cog(address, images, decoders);
  }

  /** All bands of a tile as they lie in the file, pixel by pixel, padded to the full tile at the edges. */
  async tile(level: number, column: number, row: number, signal: AbortSignal): Promise<ArrayBuffer> {
    const { data } = await this.images[level].getTileOrStrip(column, row, 0, this.decoders[level] as never, signal);
    return data as ArrayBuffer;
  }

  /** Bands of a window of full resolution; the window is half open and must lie inside. */
  async window(
    [row0, row1, column0, column1]: [number, number, number, number],
    bands: number[],
    signal?: AbortSignal,
  ): Promise<Float64Array[]> {
    const read = (await this.images[0].readRasters({
      window: [column0, row0, column1, row1],
      samples: bands,
      pool,
      signal,
    })) as unknown as ArrayLike<number>[];
    return Array.from(read, (band) => Float64Array.from(band));
  }
}

async function decoderOf(image: GeoTIFFImage): Promise<Decoder> {
  if (image.planarConfiguration !== 1 && image.getSamplesPerPixel() > 1) {
    // the picture needs all bands of a pixel together; windows are read by geotiff itself and may lie either way
    return { decode: () => Promise.reject(new Error('bands lie apart')) } as unknown as Decoder;
  }
  const directory = image.fileDirectory;
  const compression = ((await directory.loadValue(COMPRESSION as never)) as number) ?? 1;
  const parameters = {
    tileWidth: image.getTileWidth(),
    tileHeight: image.getTileHeight(),
    planarConfiguration: image.planarConfiguration,
    bitsPerSample: (await directory.loadValue('BitsPerSample' as never)) as unknown,
    predictor: ((await directory.loadValue('Predictor' as never)) as number) ?? 1,
    LercParameters: directory.hasTag(LERC as never) ? await directory.loadValue(LERC as never) : undefined,
  };
  return pool.bindParameters(compression, parameters as never);
}
