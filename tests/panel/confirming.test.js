import assert from 'node:assert/strict';
import { test } from 'node:test';

import { Api } from '../../viewer_plugin/panel/api.js';
import { byProvider, confirmed } from '../../viewer_plugin/panel/confirming.js';
import { strings } from '../../viewer_plugin/panel/strings.js';

/** As much of a session as confirming needs. */
function session(study = '1.2') {
  const one = { study, signing: {}, update: fields => Object.assign(one, fields) };
  return one;
}

/** The page that the window ends on. */
async function windowSays(study) {
  const channel = new BroadcastChannel('sesamoid-confirmed');
  channel.postMessage({ study });
  await new Promise(resolve => setTimeout(resolve, 20));
  channel.close();
}

test('the window opens for this study, and only its word lets a signature go on', async () => {
  const one = session();
  const opened = [];
  let done = false;
  const waiting = confirmed(one, address => opened.push(address)).then(good => { done = true; return good; });
  assert.deepEqual(opened, ['/oidc/confirm?study=1.2']);
  assert.equal(one.signing.waiting, true);
  await windowSays('1.3');
  assert.equal(done, false);
  await windowSays('1.2');
  assert.equal(await waiting, true);
  assert.equal(one.signing.waiting, false);
});

test('pressed again the first waiting ends without a signature', async () => {
  const one = session();
  const first = confirmed(one, () => true);
  const second = confirmed(one, () => true);
  assert.equal(await first, false);
  assert.equal(one.signing.waiting, true);
  await windowSays('1.2');
  assert.equal(await second, true);
});

test('a window that the browser did not open is said', async () => {
  const one = session();
  assert.equal(await confirmed(one, () => null), false);
  assert.equal(one.signing.error, strings.sign.noWindow);
});

test('who has no password is asked for none, not even after a refusal', async () => {
  const answers = [[200, { user: 'nia', csrf: 'a', confirms: 'provider' }], [403, { detail: 'Show once more who you are.' }]];
  const api = new Api('/api', async () => {
    const [status, content] = answers.shift();
    return new Response(JSON.stringify(content), { status, headers: { 'Content-Type': 'application/json' } });
  });
  await api.whoami();
  await assert.rejects(api.sign('1.2', 1, ''), /Show once more/);
  assert.equal(api.session, null);
  assert.equal(byProvider({ api }), true);
});
