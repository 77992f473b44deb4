// @ts-check
/** What an administrator looks after in forms: peers that were added here, and accounts. */

import { fillIn } from './forms.js';

const element = id => /** @type {any} */ (document.getElementById(id));
const ROLES = { reader: 'reads and signs', administrator: 'looks after the node', device: 'calls as a machine' };

/** @typedef {(method: string, path: string, body?: object) => Promise<{content: any}>} Send */

/**
 * Add a peer, or change one that was added.
 * @param {any} peer null: a new one
 * @param {Send} send  @param {(sentence: string) => Promise<void>} done
 */
export function askForPeer(peer, send, done) {
  element('peer-title').textContent = peer ? `Change ${peer.name}` : 'Add a peer';
  element('peer-remove').hidden = !peer;
  element('peer-name').readOnly = Boolean(peer);
  fillIn('peer', peer ?? { port: 104, commitment: true, retrieve: 'none' }, async (entered, action) => {
    const path = `/api/admin/peers/${encodeURIComponent(entered.name)}`;
    if (action === 'remove') {
      await send('DELETE', path);
      await done(`${entered.name} is removed.`);
      return;
    }
    const addresses = entered.addresses.split(/[\s,]+/).filter(Boolean);
    await send('PUT', path, { ...entered, port: Number(entered.port), addresses });
    await done(peer ? `${entered.name} is changed.` : `${entered.name} is added.`);
  });
}

/**
 * Add an account, or change one.
 * @param {any} account null: a new one
 * @param {Send} send  @param {(sentence: string) => Promise<void>} done
 */
export function askForAccount(account, send, done) {
  element('account-title').textContent = account ? `Change ${account.name}` : 'Add an account';
  element('account-name').readOnly = Boolean(account);
  element('account-password').required = !account;
  element('account-disabled').hidden = !account;
  element('account-password-hint').textContent = account
    ? 'Empty: the password stays. A new one signs the account out everywhere.'
    : 'At least 8 characters.';
  fillIn('account', account ?? { roles: ['reader'] }, async entered => {
    const { name, disabled, password, ...rest } = entered;
    if (account) {
      const change = { ...rest, disabled, ...(password ? { password } : {}) };
      await send('PATCH', `/api/admin/users/${encodeURIComponent(name)}`, change);
    } else {
      await send('POST', '/api/admin/users', { name, password, ...rest });
    }
    await done(account ? `The account ${name} is changed.` : `The account ${name} is added.`);
  });
}

/** What a role is for. @param {string[]} roles */
export function rolesInWords(roles) {
  return roles.map(role => `${role}: ${ROLES[role] ?? role}`).join('; ');
}
