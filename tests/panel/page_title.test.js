import assert from 'node:assert/strict';
import { test } from 'node:test';

import { pageTitle } from '../../viewer_plugin/host/page_title.js';
import { template } from './example.js';

test('a tab is called by species and region, and by nothing that says which animal', () => {
  const facts = { signalment: { patient_name: 'Vreeland^Juniper', patient_id: 'A-77', owner: 'Vreeland' }, question: 'Bitten', study_date: '20261104' };
  const title = pageTitle({ status: 'ready', template: { ...template(), regions: ['carpus', 'manus'] }, opening: { facts } });
  assert.equal(title, 'Dog, right carpus and manus – Sesamoid');
});

test('before the study is known, and where the species is not, the title does without', () => {
  assert.equal(pageTitle({ status: 'loading' }), '');
  assert.equal(pageTitle({ status: 'ready', template: { ...template(), species: '', regions: ['carpus'] } }), 'Right carpus – Sesamoid');
});
