// @ts-check
/**
 * A tiny virtual tree: views are plain functions that return nodes, `patch` brings the document
 * in line with them. Elements are kept whenever tag and key agree, so focus, selection and
 * scrolling survive every change of state. Text is only ever set as text, never as HTML.
 */

/**
 * @typedef {object} VNode
 * @property {string} tag
 * @property {Record<string, any>} props
 * @property {Child[]} children
 * @property {string | undefined} key
 */
/** @typedef {VNode | string} Child */

const SVG = 'http://www.w3.org/2000/svg';
const OLD = Symbol('node drawn before');

/**
 * Make a node. Children may be nested; null, undefined, false and "" are left out.
 * @param {string} tag
 * @param {Record<string, any> | null} [props] attributes; `on…` are listeners, `.x` are properties
 * @param {...any} children
 * @returns {VNode}
 */
export function h(tag, props, ...children) {
  const flat = children
    .flat(Infinity)
    .filter(child => child !== null && child !== undefined && child !== false && child !== '')
    .map(child => (typeof child === 'object' ? child : String(child)));
  const key = props?.key === undefined ? undefined : String(props.key);
  return { tag, props: props ?? {}, children: flat, key };
}

/**
 * Bring the children of `parent` in line with `nodes`.
 * @param {ParentNode & Node} parent
 * @param {any[]} nodes
 */
export function patch(parent, nodes) {
  align(parent, /** @type {Child[]} */ (nodes.flat(Infinity).filter(Boolean)));
}

/** @param {ParentNode & Node} parent  @param {Child[]} wanted */
function align(parent, wanted) {
  if (sameAsDrawn(parent, wanted)) return updateAll(parent, wanted);
  const keyed = new Map();
  const loose = [];
  for (const child of [...parent.childNodes]) {
    const key = child[OLD]?.key;
    if (key !== undefined) keyed.set(key, child);
    else loose.push(child);
  }
  const reals = wanted.map(node => reuse(node, keyed, loose) ?? create(node, parent));
  // What is gone goes first: what stays would have to be moved before it, and loses the focus then.
  const staying = new Set(reals);
  for (const child of [...parent.childNodes]) if (!staying.has(child)) child.remove();
  let place = parent.firstChild;
  wanted.forEach((node, i) => {
    update(reals[i], node);
    if (place && reals[i] === place) place = place.nextSibling;
    else parent.insertBefore(reals[i], place);
  });
}

/** Most of the panel stays as it is at each key: then nothing has to be sorted or moved. */
function sameAsDrawn(parent, wanted) {
  let real = parent.firstChild;
  for (const node of wanted) {
    if (!real) return false;
    const fits = typeof node === 'string' ? real.nodeType === 3 : real[OLD]?.tag === node.tag && real[OLD].key === node.key;
    if (!fits) return false;
    real = real.nextSibling;
  }
  return !real;
}

function updateAll(parent, wanted) {
  let real = parent.firstChild;
  for (const node of wanted) {
    update(real, node);
    real = real.nextSibling;
  }
}

function reuse(node, keyed, loose) {
  if (typeof node === 'string') {
    return take(loose, child => child.nodeType === 3);
  }
  if (node.key !== undefined) {
    const found = keyed.get(node.key);
    return found && found[OLD].tag === node.tag ? found : null;
  }
  return take(loose, child => child[OLD]?.tag === node.tag);
}

/** The first loose child may be passed over only when it fits nothing, to keep the order. */
function take(loose, fits) {
  const index = loose.findIndex(fits);
  return index < 0 ? null : loose.splice(0, index + 1)[index];
}

function create(node, parent) {
  if (typeof node === 'string') return document.createTextNode(node);
  const inSvg = node.tag === 'svg' || (parent.namespaceURI === SVG && parent.localName !== 'foreignObject');
  return inSvg ? document.createElementNS(SVG, node.tag) : document.createElement(node.tag);
}

function update(real, node) {
  if (typeof node === 'string') {
    if (real.data !== node) real.data = node;
    return;
  }
  const before = real[OLD]?.props ?? {};
  for (const name of Object.keys(before)) {
    if (!(name in node.props)) set(real, name, undefined, before[name]);
  }
  const late = [];
  for (const [name, value] of Object.entries(node.props)) {
    if (name === '.value' || name === '.checked') late.push([name, value]);
    else if (before[name] !== value) set(real, name, value, before[name]);
  }
  real[OLD] = node;
  align(real, node.children);
  // After the children: a select can only take a value whose option exists.
  for (const [name, value] of late) set(real, name, value, undefined);
}

function set(real, name, value, before) {
  if (name === 'key') return;
  if (name === 'ref') {
    if (typeof value === 'function') value(real);
  } else if (name.startsWith('on')) {
    const event = name.slice(2);
    if (before) real.removeEventListener(event, before);
    if (value) real.addEventListener(event, value);
  } else if (name.startsWith('.')) {
    if (real[name.slice(1)] !== value) real[name.slice(1)] = value ?? '';
  } else if (value === undefined || value === null || value === false) {
    real.removeAttribute(name);
  } else {
    real.setAttribute(name, value === true ? '' : String(value));
  }
}
