// @ts-check
/**
 * Configuration of the host viewer (its app-config.js). A plugin that fails to load must never
 * leave a black page in front of a reader: the images open anyway and a banner says what is
 * missing. The function is awaited by the viewer.
 */
(() => {
  const ROUTE = 'read';
  // The viewer leaves this address when the study is refused; after signing in it is wanted again.
  const opened = location.pathname + location.search;
  const PLUGIN = ['/plugin/extension.js', '/plugin/mode.js'];
  const BUILT_IN = [
    'longitudinal', 'basic', 'segmentation', 'tmtv', 'microscopy', 'preclinical-4d', 'ultrasound-pleura-bline',
  ];

  const german = /(?:^|;\s*)sesamoid_language=de(?:;|$)/.test(document.cookie);
  const words = german
    ? {
        list: 'Arbeitsliste',
        broken: 'Das Befundfeld konnte nicht geladen werden; nur die Bilder sind zu sehen. Nichts Eingetragenes ging verloren. ' +
          'Laden Sie die Seite neu; bleibt es so, sagen Sie es dem, der den Knoten betreut.',
      }
    : {
        list: 'Reading list',
        broken: 'The reading panel could not be loaded; only the images are shown. Nothing that was entered is lost. ' +
          'Reload the page; if this stays, tell the person who looks after the node.',
      };

  // The viewer asks this cookie of its own first, the browser only then; its tools and menus speak as the panel does.
  document.cookie = `i18next=${german ? 'de' : 'en-US'}; path=/; samesite=strict`;
  document.documentElement.lang = german ? 'de' : 'en';

  /** In place of the viewer's own mark: the way back to our reading list. */
  const homeLink = React => React.createElement('a', { className: 'sesamoid-home', href: '/' },
    React.createElement('img', { src: '/static/mark.svg', alt: '', width: 22, height: 22 }), words.list);

  const base = {
    name: 'sesamoid',
    routerBasename: '/',
    whiteLabeling: { createLogoComponentFn: homeLink },
    showStudyList: false,
    showWarningMessageForCrossOrigin: false,
    showCPUFallbackMessage: false,
    showLoadingIndicator: true,
    showErrorDetails: 'production',
    maxNumberOfWebWorkers: 3,
    activateViewportBeforeInteraction: false,
    investigationalUseDialog: { option: 'never' },
    maxNumRequests: { interaction: 100, thumbnail: 4, prefetch: 8 },
    customizationService: [{ 'ohif.tours': { $set: [] } }],
    modesConfiguration: Object.fromEntries(BUILT_IN.map(name => [`@ohif/mode-${name}`, { hide: { $set: true } }])),
    defaultDataSourceName: 'sesamoid',
    dataSources: [
      {
        namespace: '@ohif/extension-default.dataSourcesModule.dicomweb',
        sourceName: 'sesamoid',
        configuration: {
          friendlyName: 'Sesamoid',
          name: 'sesamoid',
          qidoRoot: '/dicomweb',
          wadoRoot: '/dicomweb',
          wadoUriRoot: '/dicomweb',
          qidoSupportsIncludeField: false,
          imageRendering: 'wadors',
          thumbnailRendering: 'wadors',
          enableStudyLazyLoad: true,
          supportsFuzzyMatching: false,
          supportsWildcard: false,
          omitQuotationForMultipartRequest: true,
        },
      },
    ],
    httpErrorHandler: error => {
      if (error?.status === 401) {
        location.assign(`/login?next=${encodeURIComponent(opened)}`);
      }
    },
  };

  /** The same address without the panel: plain images. */
  const fallbackMode = {
    id: 'sesamoid-plain',
    modeFactory: async ({ loadModules }) => {
      const [basic] = await loadModules(['@ohif/mode-basic']);
      return { ...basic.modeInstance, id: 'sesamoid-plain', routeName: ROUTE, displayName: 'Images only', hide: false };
    },
    extensionDependencies: {},
  };

  function banner(error) {
    console.error('The reading panel could not be loaded', error);
    const box = document.createElement('div');
    box.setAttribute('role', 'alert');
    box.style.cssText =
      'position:fixed;inset:auto 0 0 0;z-index:9999;padding:10px 16px;background:#2b241a;color:#f0ab45;' +
      'border-top:1px solid #f0ab45;font:14px/1.4 system-ui,sans-serif';
    box.textContent = words.broken;
    document.body.append(box);
  }

  const colours = document.createElement('link');
  colours.rel = 'stylesheet';
  colours.href = '/plugin/host/chrome.css';
  document.head.append(colours);

  /** @type {any} */ (window).config = async () => {
    try {
      const [extension, mode] = await Promise.all(PLUGIN.map(async url => (await import(url)).default));
      return { ...base, extensions: [extension], modes: [mode] };
    } catch (error) {
      banner(error);
      return { ...base, extensions: [], modes: [fallbackMode] };
    }
  };
})();
