// Looking now and then at what is driven, where no line of the present is open: on the
// page of a replay the trains of now can still be stopped.
import { post, Refused } from './api.js';
import { putDriving } from './store.js';
import './stop.js';

const EVERY_MS = 1000;

async function look() {
  if (document.hidden) return;
  try {
    putDriving((await post('/api/driving', { do: 'look' })).driving);
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
  }
}

setInterval(look, EVERY_MS);
document.addEventListener('visibilitychange', look);
look();
