// @ts-check
/**
 * The host viewer wants React elements and shares no React with plugins. An element is a small
 * object; the mark that makes it one is borrowed from an element of the viewer's own.
 */

/**
 * @param {any} extensionManager
 * @returns {(tag: string, ref: (element: any) => void) => any}
 */
export function elementFactory(extensionManager) {
  let mark;
  return (type, ref) => {
    mark ??= borrowed(extensionManager) ?? Symbol.for('react.element');
    return { $$typeof: mark, type, key: null, ref, props: {}, _owner: null, _store: {} };
  };
}

function borrowed(extensionManager) {
  try {
    const entry = extensionManager.getModuleEntry('@ohif/extension-default.panelModule.seriesList');
    return entry.component({}).$$typeof;
  } catch {
    return null;
  }
}
