// @ts-check
/** Which documents we show as text, and which are not shown at all. */

const TEXT_REPORTS = [
  '1.2.840.10008.5.1.4.1.1.88.11', // Basic Text SR
  '1.2.840.10008.5.1.4.1.1.88.22', // Enhanced SR
  '1.2.840.10008.5.1.4.1.1.88.33', // Comprehensive SR
];
const HIDDEN = [
  '1.2.840.10008.5.1.4.1.1.88.59', // Key Object Selection
  '1.2.840.10008.5.1.4.1.1.11.1', // Grayscale Softcopy Presentation State
];
const MEASUREMENT_REPORT = '126000';

/** The viewer gives sequences of one item as an array-like; anything else as it is. */
export function one(value) {
  return typeof value === 'object' && value?.[0] !== undefined ? value[0] : value;
}

/** Of several instances in one series the newest is the report: the viewer itself takes the oldest. */
export function newest(instances) {
  return byAge(instances).at(-1);
}

/** Oldest first. */
export function byAge(instances) {
  const key = i => [`${i.ContentDate ?? ''}${i.ContentTime ?? ''}`, String(i.InstanceNumber ?? 0).padStart(8, '0')].join(' ');
  return [...instances].sort((a, b) => (key(a) > key(b) ? 1 : -1));
}

/** Text reports open in our own view; measurement reports are left to the viewer. */
export function reportHandler(extension) {
  const id = `${extension}.sopClassHandlerModule.report`;
  return {
    name: 'report',
    sopClassUids: TEXT_REPORTS,
    getDisplaySetsFromSeries: instances => {
      try {
        const mine = instances.filter(i => one(i.ConceptNameCodeSequence)?.CodeValue !== MEASUREMENT_REPORT);
        return mine.length ? [displaySet(id, mine)] : [];
      } catch (error) {
        console.error('sesamoid', error);
        return []; // The viewer goes on to its own handler.
      }
    },
  };
}

function displaySet(handler, instances) {
  const latest = newest(instances);
  return {
    displaySetInstanceUID: `sesamoid-${latest.SeriesInstanceUID}`,
    SOPClassHandlerId: handler,
    SOPClassUID: latest.SOPClassUID,
    sopClassUids: TEXT_REPORTS,
    Modality: 'SR',
    StudyInstanceUID: latest.StudyInstanceUID,
    SeriesInstanceUID: latest.SeriesInstanceUID,
    SOPInstanceUID: latest.SOPInstanceUID,
    SeriesNumber: latest.SeriesNumber,
    SeriesDate: latest.SeriesDate,
    SeriesTime: latest.SeriesTime,
    SeriesDescription: latest.SeriesDescription,
    label: latest.SeriesDescription ?? 'Report',
    instances,
    instance: latest,
    isDerivedDisplaySet: true,
    isLoaded: true,
    numImageFrames: 0,
    thumbnailSrc: null,
    addInstances(more) {
      this.instances.push(...more);
      this.instance = newest(this.instances);
      return this;
    },
  };
}

/** Objects that the viewer cannot show and would only warn about. */
export function hiddenHandler(extension) {
  return {
    name: 'hidden',
    sopClassUids: HIDDEN,
    getDisplaySetsFromSeries: instances => [
      {
        displaySetInstanceUID: `sesamoid-${instances[0].SOPInstanceUID}`,
        SOPClassHandlerId: `${extension}.sopClassHandlerModule.hidden`,
        SOPClassUID: instances[0].SOPClassUID,
        StudyInstanceUID: instances[0].StudyInstanceUID,
        SeriesInstanceUID: instances[0].SeriesInstanceUID,
        SOPInstanceUID: instances[0].SOPInstanceUID,
        Modality: instances[0].Modality,
        instances,
        instance: instances[0],
        excludeFromThumbnailBrowser: true,
        isDerivedDisplaySet: true,
        isLoaded: true,
        numImageFrames: 0,
        addInstances() {
          return this;
        },
      },
    ],
  };
}
