// The connection to the broker: reconnects for ever, passes on what arrives, sends commands and
// waits for their replies. Knows topics, nothing of what is shown.

import { Connection, isFailure } from "./mqtt.js";

const REPLY_WAIT_MS = 3000;
const EXPIRY_S = 3; // a command must not be carried out after its sender stopped waiting
const POST_WAIT_MS = 6000; // the daemon waits until the radio does not transmit any more
const AGAIN_MS = [300, 600, 1000, 2000, 4000];
const FIRST = ["availability", "state"]; // of all stations these only
const FIRST_OF_ONE = [...FIRST, "info"];
const LATER_OF_ONE = ["skeds", "outlook", "trace", "tonight", "log"];
const EVERY = "+";

/** @typedef {"connecting" | "open" | "closed" | "refused"} Phase */
/**
 * phase: of the connection. message: of a station; old: retained by the broker from before this connection.
 * @typedef {{
 *   phase: (name: Phase) => void,
 *   message: (leaf: string, value: any, old: boolean, name: string) => void,
 * }} Told
 */

export class Link {
  /**
   * @param {string} root
   * @param {string} name of the station, or + for all of them
   * @param {Told} told
   */
  constructor(root, name, told) {
    this.root = root;
    this.name = name;
    this.base = `${root}/${name}`;
    this.told = told;
    /** @type {Connection | null} */
    this.connection = null;
    /** @type {string | null} */
    this.account = null;
    this.password = "";
    this.replies = "";
    this.timer = 0;
    this.tries = 0;
    /** @type {Map<string, { resolve: (reply: Published.Reply) => void, timer: number }>} */
    this.waiting = new Map();
  }

  /**
   * @param {string | null} account null for a broker that needs no login
   * @param {string} [password]
   */
  start(account, password = "") {
    this.stop();
    this.account = account;
    this.password = password;
    this.tries = 0;
    this.open();
  }

  stop() {
    clearTimeout(this.timer);
    this.connection?.end();
    this.connection = null;
    for (const id of [...this.waiting.keys()]) {
      this.settle(id, failure("no_link", "Connection lost; the command may or may not have taken effect."));
    }
  }

  // Try at once, e.g. when the phone wakes up.
  again() {
    this.stop();
    this.tries = 0;
    this.open();
  }

  open() {
    this.told.phase("connecting");
    const id = `page-${randomHex(8)}`;
    this.replies = `${this.base}/reply/${this.account ?? "local"}/${id}`;
    const topics = { first: this.topics(FIRST), later: this.topics([]) };
    if (this.name !== EVERY) {
      topics.first = [...this.topics(FIRST_OF_ONE), this.replies];
      topics.later = this.topics(LATER_OF_ONE);
    }
    this.connection = new Connection(newSocket(), { id, account: this.account, password: this.password }, topics, {
      open: () => {
        this.tries = 0;
        this.told.phase("open");
      },
      message: (topic, text, packet) => this.take(topic, text, packet),
      refused: () => {
        this.stop();
        this.told.phase("refused");
      },
      closed: () => {
        this.stop();
        this.told.phase("closed");
        const wait = AGAIN_MS[Math.min(this.tries++, AGAIN_MS.length - 1)];
        this.timer = window.setTimeout(() => this.open(), wait * (0.8 + 0.4 * Math.random()));
      },
    });
  }

  /** @param {string[]} leaves */
  topics(leaves) {
    return leaves.map((leaf) => `${this.base}/${leaf}`);
  }

  /**
   * @param {string} topic
   * @param {string} text
   * @param {import("./vendor/mqtt-packet.js").Packet} packet
   */
  take(topic, text, packet) {
    if (topic === this.replies) {
      const reply = parsed(text);
      const correlation = packet.props?.correlation_data;
      const id = correlation ? new TextDecoder().decode(correlation) : reply?.id;
      if (reply) this.settle(id, reply);
      return;
    }
    const [name, ...rest] = topic.slice(this.root.length + 1).split("/");
    const leaf = rest.join("/");
    const value = leaf === "availability" ? text : parsed(text);
    if (value !== null) this.told.message(leaf, value, packet.retain, name);
  }

  // Resolves to the daemon's reply; also when there is none, with an error that says so.
  /**
   * @param {string} name
   * @param {object} body
   * @returns {Promise<Published.Reply>}
   */
  command(name, body) {
    const { connection } = this;
    if (!connection?.connected) return Promise.resolve(failure("no_link", "No connection; nothing was sent."));
    const id = randomHex(8);
    return new Promise((resolve) => {
      const timer = window.setTimeout(
        () => this.settle(id, failure("no_answer", "No reply; the command may or may not have taken effect.")),
        REPLY_WAIT_MS,
      );
      this.waiting.set(id, { resolve, timer });
      const topic = `${this.base}/cmd/${this.account ?? "local"}/${name}`;
      const props = {
        message_expiry_interval: EXPIRY_S,
        response_topic: this.replies,
        correlation_data: new TextEncoder().encode(id),
      };
      connection.publish(topic, JSON.stringify({ ...body, id }), props, (reason) => {
        // The broker did not accept it; its access list says no.
        if (isFailure(reason)) {
          this.settle(id, failure("not_allowed", "Rejected by the broker: not allowed for this account."));
        }
      });
    });
  }

  // Inhibits transmit by the page's server, without the broker; another station's, which that server
  // does not know, by the broker once more. Resolves like `command`.
  /** @returns {Promise<Published.Reply>} */
  async inhibit() {
    if (isElsewhere()) return this.command("transmit", { allowed: false });
    const { reply } = await this.post("/forbid");
    if (!reply) return failure("no_link", "No reply; the command may not have taken effect.");
    return reply.ok ? { ok: true, id: null, result: { tx_allowed: false } } : failure("inhibit", reply.message);
  }

  // Sends a request to the page's server as the account that is logged in. Resolves to its status
  // and its JSON; status 0 if there was no answer, reply null if there was none or it was no JSON.
  /**
   * @param {string} path
   * @param {number} [waitMs]
   * @returns {Promise<{ status: number, reply: any }>}
   */
  async post(path, waitMs = POST_WAIT_MS) {
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), waitMs);
    let status = 0;
    try {
      /** @type {Record<string, string>} */
      const headers = this.account ? { Authorization: `Basic ${btoa(`${this.account}:${this.password}`)}` } : {};
      const answer = await fetch(path, { method: "POST", headers, signal: stop.signal });
      status = answer.status;
      return { status, reply: await answer.json() };
    } catch {
      return { status, reply: null };
    } finally {
      clearTimeout(timer);
    }
  }

  /**
   * @param {string} id
   * @param {Published.Reply} reply
   */
  settle(id, reply) {
    const waiting = this.waiting.get(id);
    if (!waiting) return;
    this.waiting.delete(id);
    clearTimeout(waiting.timer);
    waiting.resolve(reply);
  }
}

// Is this the page of another station than that of its server?
/** @returns {boolean} */
export function isElsewhere() {
  const { home, name } = document.documentElement.dataset;
  return home !== undefined && home !== name;
}

// The socket that early.js has opened, for the first connection.
/** @returns {WebSocket} */
function newSocket() {
  const { early } = window;
  delete window.early;
  if (early && early.readyState <= WebSocket.OPEN) return early;
  const scheme = location.protocol === "https:" ? "wss" : "ws";
  return new WebSocket(`${scheme}://${location.host}/mqtt`, "mqtt");
}

/**
 * @param {string} code
 * @param {string} message
 * @returns {Published.Reply}
 */
function failure(code, message) {
  return { ok: false, id: null, error: { code, message, field: null, value: null, expected: null, confirm_token: null } };
}

/** @param {string} text */
function parsed(text) {
  try {
    return JSON.parse(text);
  } catch {
    return null;
  }
}

// crypto.randomUUID exists in secure contexts only; this does everywhere.
/** @param {number} count */
function randomHex(count) {
  return [...crypto.getRandomValues(new Uint8Array(count))].map((b) => b.toString(16).padStart(2, "0")).join("");
}
