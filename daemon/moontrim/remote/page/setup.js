// The tab "Set-up": the colours of the page, and whether the screen stays on. Accounts are in `login`,
// the alarm in `alarm`.

import { onAwake, stayAwake } from "./awake.js";
import { keys, say } from "./view.js";

const theme = window.moontrimTheme;

for (const one of keys('[name="theme"]')) {
  const choice = /** @type {HTMLInputElement} */ (one);
  choice.checked = choice.value === theme.chosen();
  choice.addEventListener("change", () => theme.choose(choice.value));
}

onAwake(({ text }) => say("awake", text));
document.addEventListener("visibilitychange", stayAwake);
document.addEventListener("pointerup", stayAwake);
stayAwake();
