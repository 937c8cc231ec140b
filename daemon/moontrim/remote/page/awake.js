// Keeps the phone's screen on while the page is shown, where the browser allows it.

async function stayAwake() {
  try {
    await navigator.wakeLock?.request("screen");
  } catch {
    // refused, e.g. to save the battery: the page works without
  }
}

document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && stayAwake());
stayAwake();
