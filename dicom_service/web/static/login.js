// @ts-check
import { takeOver } from '/plugin/panel/preferences.js';
import { call, localPath } from './node.js';

const form = /** @type {HTMLFormElement} */ (document.getElementById('login'));
const user = /** @type {HTMLInputElement} */ (document.getElementById('user'));
const password = /** @type {HTMLInputElement} */ (document.getElementById('password'));
const enter = /** @type {HTMLButtonElement} */ (document.getElementById('enter'));
const trouble = /** @type {HTMLElement} */ (document.getElementById('trouble'));

const next = localPath(new URLSearchParams(location.search).get('next'), location.origin);

const provider = /** @type {HTMLAnchorElement | null} */ (document.getElementById('provider'));
if (provider) provider.search = `?next=${encodeURIComponent(next)}`;

form.addEventListener('submit', async event => {
  event.preventDefault();
  enter.disabled = true;
  trouble.hidden = true;
  try {
    const body = JSON.stringify({ user: user.value, password: password.value });
    const { content } = await call('/api/session', { method: 'POST', body });
    takeOver(content.user, content.preferences);
    location.replace(next);
  } catch (error) {
    trouble.textContent = /** @type {Error} */ (error).message;
    trouble.hidden = false;
    enter.disabled = false;
    password.select();
  }
});
