// @ts-check

/** The study that the address names. */
export function studyInAddress() {
  const query = new URLSearchParams(location.search);
  return (query.get('StudyInstanceUIDs') ?? '').split(',')[0];
}
