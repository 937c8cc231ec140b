// Keeps the phone's screen on while the page is shown, and says whether it does. Browsers offer that to
// secure contexts only (W3C, Screen Wake Lock API): not over plain http by a name or an address.

const LONGER = "Set a longer screen time-out on the phone.";

/** @typedef {{ on: boolean, text: string }} Awake */
/** @typedef {{ wakeLock?: { request(kind: "screen"): Promise<EventTarget> } }} Waker */

/** @type {Awake} */
let now = { on: false, text: "" };
/** @type {((awake: Awake) => void)[]} */
const listeners = [];
/** @type {Promise<void> | null} */
let request = null;

// Requests it unless it holds already. To be called when the page opens, when it is shown again, and at
// a tap: some browsers grant it only then.
/** @returns {Promise<void>} */
export async function stayAwake() {
  if (now.on || document.visibilityState !== "visible") return;
  request ??= requestLock().finally(() => {
    request = null;
  });
  await request;
}

// Calls now, and whenever that changes, with `on` and a sentence for the operator.
/** @param {(awake: Awake) => void} call */
export function onAwake(call) {
  listeners.push(call);
  call(now);
}

async function requestLock() {
  const { wakeLock } = /** @type {Waker} */ (navigator);
  if (!wakeLock) {
    const why = window.isSecureContext
      ? "this browser cannot keep it on"
      : "over plain http a browser cannot keep it on. Open this page with https";
    tell(false, `The screen may turn off: ${why}. ${LONGER}`);
    return;
  }
  try {
    const lock = await wakeLock.request("screen");
    lock.addEventListener("release", () => tell(false, "The screen may turn off while this page is hidden."));
    tell(true, "The screen stays on while this page is shown.");
  } catch {
    tell(false, `The screen may turn off: the phone refuses to keep it on, as it does to save the battery. ${LONGER}`);
  }
}

/**
 * @param {boolean} on
 * @param {string} text
 */
function tell(on, text) {
  now = { on, text };
  for (const call of listeners) call(now);
}
