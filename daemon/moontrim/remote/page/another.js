// How another phone reaches the page: addresses, and QR codes that the server draws. The one with the
// password is requested by a tap of its own, and removed after a while or when the page is left.

import { at, say, show } from "./view.js";

const PASSWORD_SHOWN_MS = 60000; // chosen: to take another phone out and scan

/** @type {import("./link.js").Link | null} */
let link = null;
let timer = 0;

// Returns a function that closes all of it, e.g. on signing out.
/**
 * @param {import("./link.js").Link} to
 * @returns {() => void}
 */
export function anotherPhone(to) {
  link = to;
  at("another").addEventListener("click", () => (at("another-way").hidden ? open() : close()));
  at("password-qr-key").addEventListener("click", () => (at("password-qr").hasChildNodes() ? hidePassword() : showPassword()));
  document.addEventListener("visibilitychange", () => document.visibilityState === "hidden" && hidePassword());
  return close;
}

/**
 * @param {string} id
 * @param {boolean} on
 */
function expanded(id, on) {
  at(id).setAttribute("aria-expanded", String(on));
}

/** @param {string} text */
function problem(text) {
  say("another-problem", text);
  show("another-problem", text !== "");
}

async function open() {
  expanded("another", true);
  show("another-way", true);
  show("another-steps", false);
  problem("Loading…");
  const reply = await ask("/access");
  if (!reply || at("another-way").hidden) return;
  say("page-url", reply.page);
  say("certificate-url", reply.certificate);
  say("fingerprint", reply.fingerprint);
  draw("certificate-qr", reply.certificate_qr, "QR code of the certificate");
  problem("");
  show("another-steps", true);
}

function close() {
  hidePassword();
  expanded("another", false);
  show("another-way", false);
}

async function showPassword() {
  const reply = await ask("/access?qr=password");
  if (!reply || at("another-way").hidden || document.visibilityState === "hidden") return;
  draw("password-qr", reply.password_qr, "QR code of the page with the password");
  say("password-qr-key", "Hide QR code");
  expanded("password-qr-key", true);
  const may = reply.account === "viewer" ? "can read everything here" : "can control the radio";
  say("password-qr-caution", `Anyone with this code ${may}.`);
  show("password-qr-caution", true);
  show("certificate-qr", false); // a camera that sees two codes may take the wrong one
  clearTimeout(timer);
  timer = window.setTimeout(hidePassword, PASSWORD_SHOWN_MS);
}

function hidePassword() {
  clearTimeout(timer);
  at("password-qr").replaceChildren();
  say("password-qr-key", "Show QR code with the password");
  expanded("password-qr-key", false);
  show("password-qr-caution", false);
  show("certificate-qr", true);
}

/** @param {string} path */
async function ask(path) {
  if (!link) return null;
  const { status, reply } = await link.post(path);
  if (status === 200 && reply) return reply;
  problem(
    status === 404
      ? `This page is at ${location.origin}/. For QR codes run moontrim access on the machine.`
      : reply?.message ?? "No response from the daemon's machine; try again.",
  );
  return null;
}

/**
 * @param {string} id
 * @param {{ size: number, path: string }} outline
 * @param {string} label
 */
function draw(id, { size, path }, label) {
  at(id).innerHTML = '<svg role="img" shape-rendering="crispEdges"><path></path></svg>';
  const svg = at(id).querySelector("svg");
  svg?.setAttribute("viewBox", `0 0 ${size} ${size}`);
  svg?.setAttribute("aria-label", label);
  svg?.querySelector("path")?.setAttribute("d", path);
}
