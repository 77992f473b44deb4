// @ts-check
/** Registers the elements; separate, so that importing a class has no side effect. */

import { PanelElement } from './element.js';

if (!customElements.get('sesamoid-panel')) customElements.define('sesamoid-panel', PanelElement);
