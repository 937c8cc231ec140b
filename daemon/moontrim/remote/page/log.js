// The tab "Log": what happened in the last hours, the newest first, and the report of the session.

import { answer, busy } from "./actions.js";
import { link } from "./connection.js";
import { isElsewhere } from "./link.js";
import { at, element, fill, onTap, say, show } from "./view.js";
import { clockSeconds, day, lasting, sentence, typeset } from "./words.js";

/** @type {Record<string, string>} */
const KINDS = { command: "Command", refused: "Refused", fault: "Fault", tracking: "State", keying: "Keying", agenda: "Agenda" };

const REPORT_WAIT_MS = 95_000; // as `remote.sessionreport`, and some more
const REPORT_GOOD_MS = 55_000; // as `wire.reportroute`, and some less

let path = ""; // of the report, on the page's server

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
  path = isElsewhere() ? "" : info.report ?? ""; // this server makes that of its own station
  show("report", path !== "" && at("report-open").hidden);
}

// Made by one tap and opened by the next: a browser lets no page open another by itself, later.
onTap("report", async (tapped) => {
  if (busy(tapped)) return;
  tapped.setAttribute("aria-busy", "true");
  say("report", "Making the report…");
  const { status, reply } = await link.post(path, REPORT_WAIT_MS);
  tapped.removeAttribute("aria-busy");
  say("report", "Make the report of this session");
  if (status !== 200 || !String(reply?.path).startsWith(`${path}/`)) {
    answer(`No report: ${reply?.message ?? "no response from the daemon's machine"}.`, true);
    return;
  }
  at("report-open").setAttribute("href", reply.path);
  offer(true);
  setTimeout(offer, REPORT_GOOD_MS, false);
});

/** @param {boolean} made */
function offer(made) {
  show("report", !made);
  show("report-open", made);
}
