// @ts-check
/**
 * Our extension of the host viewer: panel, hanging, report text. Everything that the viewer calls
 * is guarded, because it has no boundary of its own: an exception would be a black page.
 */

import './panel/define.js';
import './host/report_element.js';
import { KEY_EVENT } from './panel/element.js';
import { studyInAddress } from './host/address.js';
import { fetchFacts, imageFacts } from './host/facts.js';
import { inOrder, protocol } from './host/hanging.js';
import { listen, warnBeforeLeaving } from './host/keyboard.js';
import { EXTENSION_ID } from './host/names.js';
import { OhifHost, guarded } from './host/ohif.js';
import { titled } from './host/page_title.js';
import { hiddenHandler, reportHandler } from './host/report_handler.js';
import { elementFactory } from './host/react.js';
import { flushAll, sessionOf } from './panel/store.js';
import { strings } from './panel/strings.js';

/** What the panel and the viewer's tools take of the window, about; in pixels. */
const [BESIDE, ABOVE] = [400, 50];

const stops = /** @type {(() => void)[]} */ ([]);
/** @type {OhifHost | null} */
let host = null;

function hostOf(managers) {
  host ??= new OhifHost(managers, imageFacts);
  return host;
}

/** Radiographs only: documents and key-object notes are never hung. */
function hangable(displaySet) {
  return displaySet.numImageFrames > 0 && !displaySet.unsupported && ['CR', 'DX', 'RG', 'IO', 'OT'].includes(displaySet.Modality);
}

function hanging({ servicesManager }) {
  let order = [];
  try {
    const sets = servicesManager.services.displaySetService.getActiveDisplaySets().filter(hangable);
    const images = sets.map(set => ({
      uid: set.instances[0].SOPInstanceUID,
      position: set.instances[0].ViewPosition,
      laterality: set.instances[0].ImageLaterality ?? set.instances[0].Laterality,
      series: Number(set.SeriesNumber ?? 0),
      instance: Number(set.instances[0].InstanceNumber ?? 0),
      set: set.displaySetInstanceUID,
    }));
    order = inOrder(images, imageFacts()).map(image => image.set);
  } catch (error) {
    console.error('sesamoid', error);
  }
  return { protocol: protocol(order, (window.innerWidth - BESIDE) / (window.innerHeight - ABOVE)) };
}

export default {
  id: EXTENSION_ID,
  version: '0.1.0',

  preRegistration: guarded(() => fetchFacts(studyInAddress())),

  onModeEnter: guarded(managers => {
    hostOf(managers).start();
    stops.push(listen(), warnBeforeLeaving(), titled(sessionOf(studyInAddress())));
  }),

  onModeExit: guarded(() => {
    flushAll();
    host?.stop();
    for (const stop of stops.splice(0)) stop();
  }),

  getPanelModule: managers => {
    const create = elementFactory(managers.extensionManager);
    const attach = guarded(element => {
      if (!element) return;
      element.study = studyInAddress();
      element.host = hostOf(managers);
      element.connectedCallback();
    });
    return [
      {
        name: 'reading',
        iconName: 'tab-linear',
        iconLabel: strings.panel,
        label: strings.panel,
        component: () => create('sesamoid-panel', attach),
      },
    ];
  },

  getHangingProtocolModule: () => [{ name: 'sesamoid-limb', protocol: hanging }],

  getSopClassHandlerModule: () => [reportHandler(EXTENSION_ID), hiddenHandler(EXTENSION_ID)],

  getViewportModule: managers => {
    const create = elementFactory(managers.extensionManager);
    return [
      {
        name: 'report',
        component: props =>
          create('sesamoid-report', guarded(element => element?.show(props.displaySets?.[0], uid => hostOf(managers).show([uid])))),
      },
    ];
  },

  getCommandsModule: managers => ({
    defaultContext: 'DEFAULT',
    definitions: {
      sesamoidWhole: { commandFn: guarded(() => hostOf(managers).whole()) },
      // By way of the panel, which says how and knows whether anything may still be measured.
      ...Object.fromEntries(['length', 'angle'].map(name => [`sesamoid-${name}`, { commandFn: () => document.dispatchEvent(new CustomEvent(KEY_EVENT, { detail: { name } })) }])),
    },
  }),
};
