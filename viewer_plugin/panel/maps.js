// @ts-check
/** The drawings, loaded once. */

const FILES = ['dog_fore.json', 'dog_hind.json', 'cat_fore.json', 'cat_hind.json', 'horse_fore.json', 'horse_hind.json'];

/** @type {Promise<any[]> | null} */
let loading = null;

/** Load all drawings; one that fails is left out, the list takes its place. */
export function maps() {
  loading ??= Promise.all(FILES.map(load)).then(all => (maps.loaded = all.filter(Boolean)));
  return loading;
}

/** @type {any[]} */
maps.loaded = [];

async function load(file) {
  try {
    const answer = await fetch(new URL(`../maps/${file}`, import.meta.url));
    return answer.ok ? await answer.json() : null;
  } catch (error) {
    console.error(`The limb map ${file} could not be loaded`, error);
    return null;
  }
}
