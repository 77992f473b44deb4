// @ts-check
/** What a reader calls the things that the data knows by id. */

import { descriptorNames } from './item_card.js';

/** "distal radius, DPa: lysis, new bone" */
export function findingName(session, finding) {
  const item = session.template.items.find(one => one.id === finding.item);
  const view = session.template.views.find(v => v.uid === finding.view);
  const names = item ? descriptorNames(session, item.section, finding) : [];
  return `${item?.name ?? finding.item}, ${view?.label ?? ''}${names.length ? `: ${names.join(', ')}` : ''}`;
}

/** The name of a finding or of a structure, and how to go there; null when it is gone. */
export function reference(session, id) {
  const finding = session.reading.findings.find(f => f.id === id);
  if (finding) return { name: findingName(session, finding), go: () => session.editFinding(id) };
  const item = session.template.items.find(one => one.id === id);
  return item ? { name: item.name, go: () => session.choose(id) } : null;
}

const STEMS = /(ante(?=brachi)|brachio|carpo|tarso|metacarpo|metatarso|meta|intermedio|inter|radio|ulno|humero|femoro|tibio|fibulo|talo|calcaneo|proximo|phalango|sesamoido|popliteo|supra|infra)(?=[a-z]{5})/gi;

/** The long words of anatomy may break after their stems, marked by a hyphen, and nowhere else. */
export function breakable(name) {
  return name.replace(STEMS, '$1\u00ad');
}
