// Signing in: where the account and its password come from, and where they are stored.

import { answer, tappedTwice } from "./actions.js";
import { anotherPhone } from "./another.js";
import { link, start, stop } from "./connection.js";
import { typedPasswords } from "./entry.js";
import { at, onTap, root, say, show } from "./view.js";

const KEPT = "moontrim-access";
const PARTS = ["status", "tabs", "panel", "dock"]; // all but the sign-in

const closeAnother = anotherPhone(link);
let others = []; // passwords that the typed one may stand for as well

function stored() {
  for (const place of ["sessionStorage", "localStorage"]) {
    try {
      const found = JSON.parse(window[place].getItem(KEPT));
      if (found?.account) return found;
    } catch {
      // no storage, or not readable
    }
  }
  return null;
}

function keep(access, onPhone) {
  for (const [place, wanted] of [["sessionStorage", true], ["localStorage", onPhone]]) {
    try {
      if (access && wanted) window[place].setItem(KEPT, JSON.stringify(access));
      else window[place].removeItem(KEPT);
    } catch {
      // private browsing: the password has to be typed again
    }
  }
}

function keptOnPhone() {
  try {
    return window.localStorage.getItem(KEPT) !== null;
  } catch {
    return false;
  }
}

// #p=password, or #u=viewer&p=password: from a QR code. Never sent to a server; removed from the
// address bar.
function fromFragment() {
  const given = new URLSearchParams(location.hash.slice(1));
  if (!given.has("p")) return null;
  history.replaceState(null, "", location.pathname + location.search);
  return { account: given.get("u") === "viewer" ? "viewer" : "phone", password: given.get("p") };
}

function connect(access) {
  closeAnother();
  root.dataset.may = access?.account === "viewer" ? "look" : "all";
  show("login", false);
  for (const id of PARTS) show(id, true);
  show("access", access !== null);
  say("account", access?.account ?? "");
  at("keep").checked = keptOnPhone();
  start(access);
}

// The broker refused; the typed password may have been another one.
export function refused() {
  if (others.length && link.account) {
    const access = { account: link.account, password: others.shift() };
    keep(access, keptOnPhone());
    connect(access);
    return;
  }
  login(link.account ? "Password not accepted." : "");
}

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
  const given = new FormData(event.target);
  const [password, ...rest] = typedPasswords(given.get("password"));
  others = rest;
  const access = { account: given.get("account"), password };
  keep(access, given.has("keep"));
  at("password").value = "";
  say("login-problem", "");
  connect(access);
});

at("keep").addEventListener("change", (event) => keep(stored(), event.target.checked));
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
