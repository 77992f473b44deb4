// A small template and reading that the tests of the plain classes share.

export const DPA = '1.2.1';
export const ML = '1.2.2';

const item = (section, structure, visibility, more = {}) => ({
  id: `R.carpus.${structure}`, structure, region: 'carpus', side: 'R', name: structure.replaceAll('_', ' '),
  section, group: section, kind: 'bone', code: { value: 'X', scheme: '99SESAMOID', meaning: structure },
  site: { value: '8205005', scheme: 'SCT', meaning: 'Carpus' }, visibility, variants: [], physis: null, ...more,
});

export function template() {
  return {
    study_uid: '1.2', revision: 1, species: 'dog', regions: ['carpus'], rule_outs: [], cautions: [],
    order: ['alignment', 'bone', 'cartilage', 'devices', 'soft_tissue'],
    groups: [
      { id: 'bones', name: 'bones', section: 'bone', items: ['R.carpus.radius_distal', 'R.carpus.c1'] },
      { id: 'soft', name: 'soft tissues', section: 'soft_tissue', items: ['R.carpus.soft_dorsal'] },
      { id: 'axes', name: 'axes', section: 'alignment', items: ['R.carpus.frontal_axis'] },
    ],
    views: [
      { uid: DPA, label: 'DPa', view: 'DPa', side: 'R', orthogonal: [ML] },
      { uid: ML, label: 'ML', view: 'ML', side: 'R', orthogonal: [DPA] },
    ],
    items: [
      item('bone', 'radius_distal', { [DPA]: 'well', [ML]: 'partly' }),
      item('bone', 'c1', { [DPA]: 'well', [ML]: 'no' }),
      item('soft_tissue', 'soft_dorsal', { [ML]: 'well' }),
      item('alignment', 'frontal_axis', { [DPA]: 'well', [ML]: 'no' }),
    ],
  };
}

export function reading() {
  return {
    template_revision: 1, observations: {}, shown: [], findings: [], measurements: [], rule_outs: [], differentials: [],
    history: '', technique: '', impression: '', recommendations: '', findings_text: null, open_accepted: '',
  };
}

export const id = structure => `R.carpus.${structure}`;
export const said = value => ({ value, note: '' });
