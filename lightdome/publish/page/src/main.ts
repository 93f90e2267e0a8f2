// The page: reads the manifest, says plainly what is missing, or opens the review.

import 'ol/ol.css';
import './style.css';
import { el } from './dom';
import { loadPlate, shownFields, type Plate } from './plate';
import { Review } from './review';
import { words } from './words';

const PICTURES = 'pictures.html';

async function open(): Promise<void> {
  const page = document.getElementById('page')!;
  const say = (message: string, detail = '') => {
    page.replaceChildren(
      el(
        'main',
        { className: 'notice' },
        el('h1', {}, words.trouble.heading),
        el('p', {}, message),
        detail && el('p', { className: 'caption' }, detail),
        el('p', {}, el('a', { href: PICTURES }, words.pictures)),
      ),
    );
  };
  let plate: Plate;
  try {
    plate = await loadPlate('plate.json');
  } catch (error) {
    say(words.trouble.plate, String(error));
    return;
  }
  document.title = words.titleOf(plate.plate);
  if (shownFields(plate).length === 0) {
    say(words.trouble.nothing);
    return;
  }
  if (!document.createElement('canvas').getContext('webgl2')) {
    say(words.trouble.webgl);
    return;
  }
  if (!(await answersRanges(plate))) {
    say(words.trouble.ranges);
    return;
  }
  const review = new Review(plate);
  page.replaceChildren(review.element);
  review.start();
  Object.assign(globalThis, { review });
}

/** Whether the server answers a request for part of a file with that part (206). */
async function answersRanges(plate: Plate): Promise<boolean> {
  const layer = shownFields(plate).flatMap((field) => Object.values(field.layers))[0];
  if (!layer) return true;
  const abort = new AbortController();
  try {
    const answer = await fetch(layer.file, { headers: { Range: 'bytes=0-15' }, signal: abort.signal });
    return answer.status === 206 || answer.status === 404;
  } catch {
    return false;
  } finally {
    abort.abort(); // a server without ranges would send the whole file
  }
}

void open();
