// The tab "Log": what happened in the last hours, the newest first, and the report of the session.

import { answer } from "./actions.js";
import { link } from "./connection.js";
import { at, element, fill, show } from "./view.js";
import { clockSeconds, day, lasting, sentence, typeset } from "./words.js";

/** @type {Record<string, string>} */
const KINDS = { command: "Command", refused: "Refused", fault: "Fault", tracking: "State", keying: "Keying", agenda: "Agenda" };

/** @typedef {Published.Log["events"][number]} Event */

/** @param {Published.Log | null} log */
export function showLog(log) {
  const events = [...(log?.events ?? [])].reverse();
  fill("events", events, (event, index) => row(event, events[index - 1]));
  show("no-events", events.length === 0);
}

/**
 * @param {Event} event
 * @param {Event | undefined} later
 */
function row(event, later) {
  const item = element("li");
  item.dataset.kind = event.kind;
  const date = day(event.at_ms);
  if (!later || day(later.at_ms) !== date) item.append(element("small", date, "date"));
  const by = event.by ? `${sentence(event.by)}: ` : "";
  item.append(
    element("b", clockSeconds(event.at_ms)), element("span", KINDS[event.kind] ?? sentence(event.kind), "kind"),
    element("span", by + typeset(event.text) + lasted(event.lasted_s), "text"));
  return item;
}

/** @param {number | null} seconds */
function lasted(seconds) {
  if (typeof seconds !== "number") return "";
  return `, for ${seconds < 120 ? `${seconds < 10 ? seconds.toFixed(1) : Math.round(seconds)} s` : lasting(seconds * 1000)}`;
}

/** @param {Published.Info} info */
export function showReport(info) {
  const path = info.report ?? "";
  show("report", path !== "");
  if (path) at("report").setAttribute("href", path);
}

// With an account the request needs its password, which a plain link would not send.
at("report").addEventListener("click", async (event) => {
  if (!link.account) return;
  event.preventDefault();
  const file = await link.fetched(at("report").getAttribute("href") ?? "");
  if (file === null) {
    answer("No report: no response from the daemon's machine, or none is kept.", true);
    return;
  }
  const saved = document.createElement("a");
  saved.href = URL.createObjectURL(file);
  saved.download = "moontrim-report.html";
  saved.click();
  setTimeout(() => URL.revokeObjectURL(saved.href), 60_000);
});
