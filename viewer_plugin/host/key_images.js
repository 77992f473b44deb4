// @ts-check
/** A Key Object Selection (PS3.3 A.35.4, TID 2010) in DICOM JSON, read as the images that it selects. */

/** @param {any} selection the metadata of one instance @returns {string[]} SOP Instance UIDs, in its order */
export function keyImagesOf(selection) {
  const values = (item, tag) => item?.[tag]?.Value ?? [];
  return values(selection, '0040A730')
    .filter(item => values(item, '0040A040')[0] === 'IMAGE')
    .flatMap(item => values(item, '00081199'))
    .map(reference => String(values(reference, '00081155')[0]));
}
