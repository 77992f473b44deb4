// @ts-check
/**
 * All that the panel asks of a viewer. `ohif.js` implements it for the host viewer,
 * `plain.js` for our own page of plain images, `fake.js` for tests; another viewer needs one more
 * file like these and nothing else.
 *
 * Places in an image are [column, row] in pixels with the centre of the first pixel at
 * (0.5, 0.5), as DICOM's SCOORD has them. `uid` is always a SOP Instance UID.
 *
 * @typedef {{uid: string, viewportId: string}} ShownImage
 * @typedef {{type: 'done'|'changed', id: string, uid: string, kind: 'length'|'angle',
 *   points: [number, number][]} | {type: 'removed', id: string}} MeasurementEvent
 * @typedef {{id: string, view: string, kind: 'length'|'angle', points: [number, number][]}} Drawn
 *
 * @typedef {{study: string, images: {uid: string, series_uid: string, rotation: number,
 *   flip_horizontal: boolean, hung: boolean, date?: string}[], pairs: [string, string][]}} Beside
 *   study: "" is the study that is being read; images: of the other study, with how they hang.
 *
 * @typedef {{uid: string, point: [number, number], path?: [number, number][]}} Picked
 *
 * @typedef {object} Host
 * @property {() => ShownImage[]} images
 *   The images on the screen, in the order of the viewports.
 * @property {(uids: string[]) => void} show
 *   Bring these images to the screen. One that is there already stays where it is and is made the
 *   active one when it is the only one asked for; the others take the place of images not named.
 * @property {(uid: string, place: {x: number, y: number, fov: number}) => boolean} zoomTo
 *   Centre the image on a place; fov is the smaller visible side in pixels of the image. False: the
 *   image is not there, or not yet.
 * @property {() => void} whole
 *   Show all images whole, as they were hung.
 * @property {(kind: 'length'|'angle') => void} startTool
 *   The next clicks, drag or keys on an image measure; afterwards the viewer's usual tool is back.
 * @property {() => boolean} stopTool
 *   Give up what is being measured; false: nothing was.
 * @property {(callback: (event: MeasurementEvent) => void) => () => void} onMeasurement
 *   Called when a measurement was drawn, moved or removed by hand. Returns how to stop.
 * @property {(id: string) => void} removeMeasurement
 *   Take the drawing of a measurement away; nothing happens when there is none.
 * @property {(measurements: Drawn[]) => void} drawMeasurements
 *   Draw those that are not there yet, on the images that are on the screen.
 * @property {(layer: import('./layer.js').Layer) => void} drawLayer
 *   Draw our own shapes, labels and handles over the images, in place of those before.
 * @property {(callback: (event: import('./layer_svg.js').HandleEvent) => void) => () => void} onHandle
 *   Called while and after a handle is moved by hand. Returns how to stop.
 * @property {(callback: ((picked: Picked) => void) | null, trace?: boolean) => void} pick
 *   Clicks on an image give their place instead of working the viewer's tool, until null is given.
 *   With `trace` they are given when the pointer is let go, with the line that was drawn till then.
 * @property {(uid: string, point: [number, number], right: number, down: number) => [number, number]} nudged
 *   A place moved by so many pixels of the image, as directions are on the screen.
 * @property {(uid: string) => [number, number] | null} middle
 *   The place in the middle of what is seen of an image; null when it is not on the screen.
 * @property {(callback: (uid?: string) => void) => () => void} onImagesChanged
 *   Called when other images are on the screen, with the one that was put there and stands as it is
 *   hung. Returns how to stop.
 * @property {(series: string, uid: string, study?: string) => void} openDocument
 *   Show a signed document as text; of this study, or of an earlier one.
 * @property {() => string[]} failed
 *   Images on the screen that could not be loaded; a change of them is an `onImagesChanged`.
 * @property {(uid: string) => void} again
 *   Load such an image once more.
 * @property {(as: import('./presentation.js').Presented) => void} present
 *   Hang and window an image on the screen as a presentation state says.
 * @property {(plan: Beside) => boolean | Promise<boolean>} beside
 *   Show each pair of images one above the other, linked in zoom and pan. False: not possible, and
 *   everything is as it was. From then on `show` changes the upper row, and its partners with it.
 * @property {() => void} alone
 *   Show what was shown before `beside`.
 */

export {};
