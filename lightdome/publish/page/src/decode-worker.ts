// Decodes tiles away from the page's own thread.

import { getDecoder } from 'geotiff';

interface Job {
  jobId: number;
  compression: number;
  decoderParameters: Parameters<typeof getDecoder>[1];
  buffer: ArrayBuffer;
}

self.addEventListener('message', async (event: MessageEvent<Job>) => {
  const { jobId, compression, decoderParameters, buffer } = event.data;
  try {
    const decoder = await getDecoder(compression, decoderParameters);
    const decoded = (await decoder.decode(buffer)) as ArrayBuffer;
    self.postMessage({ jobId, decoded }, { transfer: [decoded] });
  } catch (error) {
    self.postMessage({ jobId, error: String(error) });
  }
});
