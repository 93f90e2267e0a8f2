import { defineConfig } from 'vite';

// Relative addresses: the page works below any folder of any static host.  No inline script or style: the page's
// Content-Security-Policy forbids both.  The notice of the bundled packages' licences goes where they go.
export default defineConfig({
  base: './',
  worker: { format: 'es' },
  build: {
    outDir: '../page_built',
    emptyOutDir: true,
    assetsDir: 'page',
    assetsInlineLimit: 0,
    license: { fileName: 'page/licences.md' },
    modulePreload: { polyfill: false },
    target: 'es2022',
    chunkSizeWarningLimit: 900,
  },
});
