// @ts-check
/** What an administrator looks after in forms: peers that were added here, and accounts. */

import { fillIn } from './forms.js';
import { say } from './say.js';

const element = id => /** @type {any} */ (document.getElementById(id));
const ROLES = ['reader', 'administrator', 'device'];

/** @typedef {(method: string, path: string, body?: object) => Promise<{content: any}>} Send */

/**
 * Add a peer, or change one that was added.
 * @param {any} peer null: a new one
 * @param {Send} send  @param {(sentence: string) => Promise<void>} done
 */
export function askForPeer(peer, send, done) {
  element('peer-title').textContent = peer ? say('admin.peers.change_named', { name: peer.name }) : say('admin.peers.add');
  element('peer-remove').hidden = !peer;
  element('peer-name').readOnly = Boolean(peer);
  fillIn('peer', peer ?? { port: 104, commitment: true, retrieve: 'none' }, async (entered, action) => {
    const path = `/api/admin/peers/${encodeURIComponent(entered.name)}`;
    if (action === 'remove') {
      await send('DELETE', path);
      await done(say('admin.peers.removed', { name: entered.name }));
      return;
    }
    const addresses = entered.addresses.split(/[\s,]+/).filter(Boolean);
    await send('PUT', path, { ...entered, port: Number(entered.port), addresses });
    await done(say(peer ? 'admin.peers.changed' : 'admin.peers.added', { name: entered.name }));
  });
}

/**
 * Add an account, or change one.
 * @param {any} account null: a new one
 * @param {Send} send  @param {(sentence: string) => Promise<void>} done
 */
export function askForAccount(account, send, done) {
  element('account-title').textContent = account ? say('admin.account.title', { name: account.name }) : say('admin.accounts.add');
  element('account-name').readOnly = Boolean(account);
  element('account-password').required = !account;
  element('account-disabled').hidden = !account;
  element('account-password-hint').textContent = say(account ? 'admin.account.stays' : 'admin.account.least');
  fillIn('account', account ?? { roles: ['reader'] }, async entered => {
    const { name, disabled, password, ...rest } = entered;
    if (account) {
      const change = { ...rest, disabled, ...(password ? { password } : {}) };
      await send('PATCH', `/api/admin/users/${encodeURIComponent(name)}`, change);
    } else {
      await send('POST', '/api/admin/users', { name, password, ...rest });
    }
    await done(say(account ? 'admin.accounts.changed' : 'admin.accounts.added', { name }));
  });
}

/** What a role is for. @param {string[]} roles */
export function rolesInWords(roles) {
  return roles.map(role => `${role}: ${ROLES.includes(role) ? say(`admin.accounts.roles.${role}`) : role}`).join('; ');
}
