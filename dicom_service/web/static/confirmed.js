// @ts-check
/** The window in which a reader showed again who they are: it tells the panel and goes away. */

const study = document.querySelector('main')?.dataset.study;
const channel = new BroadcastChannel('sesamoid-confirmed');
channel.postMessage({ study });
channel.close();
window.close();
