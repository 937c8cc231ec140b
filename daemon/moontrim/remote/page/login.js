// Signing in and out, and which password a typed one stands for.

import { fromFragment, keep, keptOnPhone, stored } from "./access.js";
import { answer, tappedTwice } from "./actions.js";
import { anotherPhone } from "./another.js";
import { link, start, stop } from "./connection.js";
import { typedPasswords } from "./entry.js";
import { at, input, onTap, root, say, show } from "./view.js";

const PARTS = ["status", "tabs", "panel", "dock"]; // all but the sign-in

const closeAnother = anotherPhone(link);
/** @type {string[]} */
let others = []; // passwords that the typed one may stand for as well

/** @param {import("./access.js").Access | null} access */
function connect(access) {
  closeAnother();
  root.dataset.may = access?.account === "viewer" ? "look" : "all";
  show("login", false);
  for (const id of PARTS) show(id, true);
  show("access", access !== null);
  say("account", access?.account ?? "");
  input("keep").checked = keptOnPhone();
  start(access);
}

// The broker refused; the typed password may have been another one.
export function refused() {
  const password = others.shift();
  if (password !== undefined && link.account) {
    const access = { account: link.account, password };
    keep(access, keptOnPhone());
    connect(access);
    return;
  }
  login(link.account ? "Password not accepted." : "");
}

/** @param {string} problem */
function login(problem) {
  keep(null, false);
  stop();
  closeAnother();
  others = [];
  say("login-problem", problem);
  for (const id of PARTS) show(id, false);
  show("login", true);
  at("password").focus();
}

at("login-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const form = new FormData(/** @type {HTMLFormElement} */ (at("login-form")));
  const [password, ...rest] = typedPasswords(input("password").value);
  others = rest;
  const access = { account: form.get("account") === "viewer" ? "viewer" : "phone", password };
  keep(access, form.has("keep"));
  input("password").value = "";
  say("login-problem", "");
  connect(access);
});

at("keep").addEventListener("change", () => keep(stored(), input("keep").checked));
onTap("sign-out", (key) => {
  if (!tappedTwice(key, "Sign out? The password has to be typed again. Tap again to sign out.")) return;
  answer("");
  login("");
});

// Signed in: the password that was typed is the one.
export function opened() {
  others = [];
}

export function begin() {
  const access = fromFragment() ?? stored();
  if (access) keep(access, keptOnPhone());
  if (access || root.dataset.password === "none") connect(access);
  else login("");
}
