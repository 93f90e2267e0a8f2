// Drives one page of a headless browser: a JSON request a line comes in, a JSON answer a line goes out.
// Usage: node driver.mjs FOLDER_OF_NODE_MODULES BROWSER

import { readFileSync } from 'node:fs';
import { createInterface } from 'node:readline';
import { pathToFileURL } from 'node:url';

const [, , modules, executablePath] = process.argv;
const { chromium } = await import(pathToFileURL(`${modules}/playwright-core/index.mjs`).href);
const QUIET = ['--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'];
// as on a machine without a graphics card: WebGL by SwiftShader, lines by the processor
const SOFTWARE = [
  '--use-angle=swiftshader',
  '--enable-unsafe-swiftshader',
  '--disable-accelerated-2d-canvas',
  '--force-color-profile=srgb',
];
const browser = await chromium.launch({ executablePath, args: ['--headless', '--no-sandbox', ...QUIET, ...SOFTWARE] });

let page;
const said = [];

const acts = {
  async open({ url, width, height, storage, before }) {
    await page?.context().close();
    const context = await browser.newContext({ viewport: { width, height }, storageState: storage, acceptDownloads: true });
    page = await context.newPage();
    page.setDefaultTimeout(30_000);
    page.on('pageerror', (error) => said.push(String(error)));
    page.on('console', (message) => message.type() === 'error' && said.push(message.text()));
    if (before) await page.addInitScript(before);
    await page.goto(url);
  },
  evaluate: ({ script, value }) => page.evaluate(`(${script})(${JSON.stringify(value ?? null)})`),
  // asked again and again from outside: inside the page, its own policy forbids to evaluate words
  async wait({ script }) {
    for (const end = Date.now() + 30_000; Date.now() < end; await page.waitForTimeout(30)) {
      if (await page.evaluate(`(${script})()`)) return true;
    }
    throw new Error(`waited in vain for ${script}`);
  },
  press: ({ keys }) => page.keyboard.press(keys),
  type: ({ words }) => page.keyboard.type(words),
  click: ({ role, name }) => page.getByRole(role, { name, exact: true }).first().click(),
  label: ({ name, value }) => page.getByLabel(name, { exact: true }).first().fill(value),
  choose: ({ name, value }) => page.getByLabel(name, { exact: true }).first().selectOption(value),
  async mouse({ path, click }) {
    await page.mouse.move(...path[0]);
    if (!click) await page.mouse.down();
    for (const place of path.slice(1)) await page.mouse.move(...place, { steps: 4 });
    if (click) await page.mouse.click(...path.at(-1));
    else await page.mouse.up();
  },
  // a finger that is laid down, drawn along and lifted
  async touch({ path }) {
    const finger = await page.context().newCDPSession(page);
    const send = (type, touchPoints) => finger.send('Input.dispatchTouchEvent', { type, touchPoints });
    const at = ([x, y]) => [{ x, y }];
    await send('touchStart', at(path[0]));
    for (const place of path.slice(1)) await send('touchMove', at(place));
    await page.waitForTimeout(300); // a finger that rests gives no swing
    await send('touchEnd', []);
  },
  double: ({ place }) => page.mouse.dblclick(...place),
  reload: () => page.reload().then(() => true),
  text: () => page.locator('body').innerText(),
  screenshot: ({ path }) => page.screenshot({ path }).then(() => true),
  script: ({ path }) => page.evaluate(readFileSync(path, 'utf8')).then(() => true),
  storage: () => page.context().storageState(),
  async download({ role, name }) {
    const [file] = await Promise.all([page.waitForEvent('download'), page.getByRole(role, { name, exact: true }).first().click()]);
    return { name: file.suggestedFilename(), path: await file.path() };
  },
  said: () => said.splice(0),
};

for await (const line of createInterface({ input: process.stdin })) {
  const { act, ...request } = JSON.parse(line);
  let answer;
  try {
    answer = { value: (await acts[act](request)) ?? null };
  } catch (error) {
    answer = { error: String(error) };
  }
  process.stdout.write(`${JSON.stringify(answer)}\n`);
}
await browser.close();
