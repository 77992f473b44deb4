// @ts-check
/** The reading mode of the host viewer: images, our panel, and only the tools a reading needs. */

import { EXTENSION_ID } from './host/names.js';
import { strings } from './panel/strings.js';

const OWN = EXTENSION_ID;
const REPORT_HANDLER = `${OWN}.sopClassHandlerModule.report`;
const HIDDEN_HANDLER = `${OWN}.sopClassHandlerModule.hidden`;

const TOOLS = ['WindowLevel', 'Pan', 'Zoom', 'SesamoidLength', 'SesamoidAngle', 'SesamoidWhole', 'invert', 'rotate-right', 'flipHorizontal'];

const button = (id, icon, label, commands) => ({
  id,
  uiType: 'ohif.toolButton',
  props: { type: 'action', icon, label, tooltip: label, commands, evaluate: 'evaluate.action' },
});

/** The viewer's own length and angle want a drag; ours take clicks and keys as well. */
const BUTTONS = [
  button('SesamoidWhole', 'tool-reset', strings.plain.whole, 'sesamoidWhole'),
  button('SesamoidLength', 'tool-length', strings.plain.tools.length, 'sesamoid-length'),
  button('SesamoidAngle', 'tool-angle', strings.plain.tools.angle, 'sesamoid-angle'),
];

function layout(basic) {
  const original = basic.routes[0].layoutInstance;
  return {
    ...original,
    props: {
      ...original.props,
      leftPanels: [],
      leftPanelClosed: true,
      rightPanels: [`${OWN}.panelModule.reading`],
      rightPanelClosed: false,
      rightPanelInitialExpandedWidth: 400,
      rightPanelMinimumExpandedWidth: 380,
      rightPanelResizable: true,
      viewports: [
        { namespace: `${OWN}.viewportModule.report`, displaySetsToDisplay: [REPORT_HANDLER] },
        ...original.props.viewports,
      ],
    },
  };
}

async function modeFactory({ loadModules }) {
  const [module] = await loadModules(['@ohif/mode-basic']);
  const basic = module.modeInstance;
  const nowhere = { 'viewportActionMenu.topLeft': [], 'viewportActionMenu.topRight': [], 'viewportActionMenu.bottomLeft': [], 'viewportActionMenu.bottomMiddle': [] };
  return {
    ...basic,
    id: 'sesamoid-read',
    routeName: 'read',
    displayName: 'Read',
    hide: false,
    isValidMode: () => ({ valid: true, description: '' }),
    hangingProtocol: 'sesamoid-limb',
    toolbarSections: [{ primary: TOOLS, ...nowhere }],
    toolbarButtons: [...basic.toolbarButtons, ...BUTTONS],
    sopClassHandlers: [REPORT_HANDLER, HIDDEN_HANDLER, ...basic.sopClassHandlers],
    modeCustomizations: {
      'panelSegmentation.disableEditing': true,
      // Keys belong to the panel (host/keyboard.js); none of the viewer's may act beside them.
      'ohif.hotkeyBindings': { $set: [] },
      cornerstoneViewportClickCommands: { $merge: { doubleClick: [] } },
    },
    routes: [{ ...basic.routes[0], path: 'read', layoutInstance: layout(basic), layoutTemplate: () => layout(basic) }],
  };
}

export default { id: 'sesamoid-read', modeFactory, extensionDependencies: {} };
