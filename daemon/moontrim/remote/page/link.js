// The connection to the broker: reconnects for ever, passes on what arrives, sends commands and
// waits for their replies. Knows topics and MQTT, nothing of what is shown.

const REPLY_WAIT_MS = 3000;
const EXPIRY_S = 3; // a command must not be carried out after its sender stopped waiting
const KEEP_ALIVE_S = 10;
const POST_WAIT_MS = 6000; // the daemon waits until the radio does not transmit any more
const CONNECT_WAIT_MS = 4000;
const AGAIN_MS = [300, 600, 1000, 2000, 4000];
const REFUSED = new Set([4, 5, 134, 135]); // bad user name or password, not authorized (3.1.1, 5.0)

export class Link {
  // told: {phase(name), message(leaf, value, old)}; phase is connecting, open, closed or refused.
  constructor(root, name, told) {
    this.base = `${root}/${name}`;
    this.told = told;
    this.client = null;
    this.timer = 0;
    this.tries = 0;
    this.waiting = new Map();
  }

  // account: null for a broker that needs no login.
  start(account, password) {
    this.stop();
    this.account = account;
    this.password = password;
    this.tries = 0;
    this.open();
  }

  stop() {
    clearTimeout(this.timer);
    const client = this.client;
    this.client = null;
    if (client) client.end(true);
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
    const scheme = location.protocol === "https:" ? "wss" : "ws";
    const client = window.mqtt.connect(`${scheme}://${location.host}/mqtt`, {
      protocolVersion: 5,
      clientId: id,
      clean: true,
      keepalive: KEEP_ALIVE_S,
      connectTimeout: CONNECT_WAIT_MS,
      reconnectPeriod: 0,
      timerVariant: "native",
      ...(this.account ? { username: this.account, password: this.password } : {}),
    });
    this.client = client;
    this.replies = `${this.base}/reply/${this.account ?? "local"}/${id}`;
    client.on("connect", () => {
      if (client !== this.client) return;
      this.tries = 0;
      const topics = ["availability", "info", "state", "outlook", "trace", "skeds", "tonight", "log"];
      client.subscribe([...topics.map((leaf) => `${this.base}/${leaf}`), this.replies], { qos: 1 });
      this.told.phase("open");
    });
    client.on("message", (topic, payload, packet) => {
      if (client === this.client) this.take(topic, payload.toString(), packet);
    });
    client.on("error", (error) => {
      if (client === this.client && REFUSED.has(error.code)) {
        this.stop();
        this.told.phase("refused");
      }
    });
    client.on("close", () => {
      if (client !== this.client) return;
      this.stop();
      this.told.phase("closed");
      const wait = AGAIN_MS[Math.min(this.tries++, AGAIN_MS.length - 1)];
      this.timer = setTimeout(() => this.open(), wait * (0.8 + 0.4 * Math.random()));
    });
  }

  take(topic, text, packet) {
    if (topic === this.replies) {
      const reply = parsed(text);
      const correlation = packet.properties?.correlationData;
      const id = correlation ? correlation.toString() : reply?.id;
      if (reply) this.settle(id, reply);
      return;
    }
    const leaf = topic.slice(this.base.length + 1);
    const value = leaf === "availability" ? text : parsed(text);
    if (value !== null) this.told.message(leaf, value, packet.retain);
  }

  // Resolves to the daemon's reply; also when there is none, with an error that says so.
  command(name, body) {
    const client = this.client;
    if (!client?.connected) return Promise.resolve(failure("no_link", "No connection; nothing was sent."));
    const id = randomHex(8);
    return new Promise((resolve) => {
      const timer = setTimeout(
        () => this.settle(id, failure("no_answer", "No reply; the command may or may not have taken effect.")),
        REPLY_WAIT_MS,
      );
      this.waiting.set(id, { resolve, timer });
      client.publish(`${this.base}/cmd/${this.account ?? "local"}/${name}`, JSON.stringify({ ...body, id }), {
        qos: 1,
        properties: {
          messageExpiryInterval: EXPIRY_S,
          responseTopic: this.replies,
          correlationData: new TextEncoder().encode(id),
        },
      }, (error, packet) => {
        // 0x80 and above: the broker did not accept it; its access list says no.
        if (error || packet?.reasonCode >= 128) {
          this.settle(id, failure("not_allowed", "Rejected by the broker: not allowed for this account."));
        }
      });
    });
  }

  // Inhibits transmit by the page's server, without the broker. Resolves like `command`.
  async inhibit() {
    const { reply } = await this.post("/forbid");
    if (!reply) return failure("no_link", "No reply; the command may not have taken effect.");
    return reply.ok ? { ok: true, result: { tx_allowed: false } } : failure("inhibit", reply.message);
  }

  // Sends a request to the page's server as the account that is logged in. Resolves to its status
  // and its JSON; status 0 if there was no answer, reply null if there was none or it was no JSON.
  async post(path, waitMs = POST_WAIT_MS) {
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), waitMs);
    let status = 0;
    try {
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

  settle(id, reply) {
    const waiting = this.waiting.get(id);
    if (!waiting) return;
    this.waiting.delete(id);
    clearTimeout(waiting.timer);
    waiting.resolve(reply);
  }
}

function failure(code, message) {
  return { ok: false, error: { code, message } };
}

function parsed(text) {
  try {
    return JSON.parse(text);
  } catch {
    return null;
  }
}

// crypto.randomUUID exists in secure contexts only; this does everywhere.
function randomHex(count) {
  return [...crypto.getRandomValues(new Uint8Array(count))].map((b) => b.toString(16).padStart(2, "0")).join("");
}
