// One MQTT 5.0 connection over one WebSocket. It logs in and subscribes with its first message, without
// waiting for an answer in between (MQTT 5.0, 3.1.4: clients need not wait for CONNACK), so that the
// first values come one round trip after the socket is open. What is long and can wait comes after them.

import { mqtt_opts_v5, mqtt_pkt_ctx } from "./vendor/mqtt-packet.js";

const KEEP_ALIVE_S = 10;
const CONNECT_WAIT_MS = 5000;
const REFUSED = new Set([4, 5, 134, 135]); // bad user name or password, not authorized (3.1.1, 5.0)
const FAILURES_FROM = 128; // reason codes
const LAST_PACKET_ID = 65535;
const LONGEST_LENGTH = 4; // bytes of a length (MQTT 5.0, 1.5.5)

/**
 * @typedef {{
 *   open: () => void,
 *   message: (topic: string, text: string, packet: import("./vendor/mqtt-packet.js").Packet) => void,
 *   refused: () => void,
 *   closed: () => void,
 * }} Listener
 */

export class Connection {
  /**
   * @param {WebSocket} socket not open yet, or just now
   * @param {{ id: string, account: string | null, password: string }} login account: null for a broker that needs none
   * @param {{ first: string[], later: string[] }} topics
   * @param {Listener} listener
   */
  constructor(socket, login, topics, listener) {
    this.socket = socket;
    this.login = login;
    this.topics = topics;
    this.listener = listener;
    this.connected = false;
    this.ended = false;
    this.codec = mqtt_pkt_ctx(5, mqtt_opts_v5).mqtt_stream();
    this.rest = new Uint8Array(0);
    this.packetId = LAST_PACKET_ID;
    /** @type {Map<number, (reason: number) => void>} */
    this.unacknowledged = new Map();
    this.heard = true;
    this.deadline = window.setTimeout(() => this.close(), CONNECT_WAIT_MS);
    this.pings = 0;
    socket.binaryType = "arraybuffer";
    socket.onmessage = ({ data }) => this.take(new Uint8Array(data));
    socket.onclose = () => this.close();
    socket.onopen = () => this.greet();
    if (socket.readyState === WebSocket.OPEN) this.greet();
  }

  // Publishes; acknowledged is called with the broker's reason code.
  /**
   * @param {string} topic
   * @param {string} payload
   * @param {Record<string, unknown>} props
   * @param {(reason: number) => void} acknowledged
   */
  publish(topic, payload, props, acknowledged) {
    const id = this.nextId();
    this.unacknowledged.set(id, acknowledged);
    this.send(this.codec.encode_pkt("publish", { topic, payload, props, qos: 1, pkt_id: id }));
  }

  nextId() {
    this.packetId = (this.packetId % LAST_PACKET_ID) + 1;
    return this.packetId;
  }

  /** @param {string[]} topics */
  subscription(topics) {
    return this.codec.encode_pkt("subscribe", { pkt_id: this.nextId(), topics, qos: 1 });
  }

  // Ends it without telling the listener.
  end() {
    this.ended = true;
    this.connected = false;
    clearTimeout(this.deadline);
    clearInterval(this.pings);
    this.socket.onopen = this.socket.onmessage = this.socket.onclose = null;
    this.socket.close();
  }

  close() {
    if (this.ended) return;
    this.end();
    this.listener.closed();
  }

  greet() {
    const { id: client_id, account, password } = this.login;
    const connect = this.codec.encode_pkt("connect", {
      client_id,
      keep_alive: KEEP_ALIVE_S,
      flags: { clean_start: true },
      ...(account === null ? {} : { username: account, password }),
    });
    const subscribe = this.subscription(this.topics.first);
    const both = new Uint8Array(connect.length + subscribe.length);
    both.set(connect);
    both.set(subscribe, connect.length);
    this.send(both);
  }

  /** @param {Uint8Array} bytes */
  send(bytes) {
    if (this.socket.readyState === WebSocket.OPEN) this.socket.send(bytes);
  }

  /** @param {Uint8Array} bytes */
  take(bytes) {
    this.heard = true;
    const joined = new Uint8Array(this.rest.length + bytes.length);
    joined.set(this.rest);
    joined.set(bytes, this.rest.length);
    this.rest = joined;
    for (let packet = this.next(); packet && !this.ended; packet = this.next()) this.handle(packet);
  }

  // The next packet of what has come; null if it is not all there. The codec's own stream is not used:
  // after a packet that came in parts it holds back those that are shorter.
  next() {
    let length = 0;
    let at = 1;
    for (let more = true; more; at++) {
      if (at > LONGEST_LENGTH) this.close(); // not MQTT
      if (this.ended || at >= this.rest.length) return null;
      length += (this.rest[at] & 0x7f) * 0x80 ** (at - 1);
      more = this.rest[at] >= 0x80;
    }
    const end = at + length;
    if (this.rest.length < end) return null;
    const packet = this.codec.decode_pkt(this.rest[0], length ? this.rest.subarray(at, end) : null);
    this.rest = this.rest.subarray(end);
    return packet;
  }

  /** @param {import("./vendor/mqtt-packet.js").Packet} packet */
  handle(packet) {
    if (packet.type === "publish") {
      if (packet.qos === 1) this.send(this.codec.encode_pkt("puback", { pkt_id: packet.pkt_id }));
      const text = new TextDecoder().decode(packet.payload);
      this.listener.message(packet.topic, text, packet);
    } else if (packet.type === "puback") {
      this.unacknowledged.get(packet.pkt_id)?.(Number(packet.reason ?? 0));
      this.unacknowledged.delete(packet.pkt_id);
    } else if (packet.type === "connack") {
      this.greeted(Number(packet.reason));
    } else if (packet.type === "disconnect") {
      this.close();
    }
  }

  /** @param {number} reason */
  greeted(reason) {
    clearTimeout(this.deadline);
    if (REFUSED.has(reason)) {
      this.end();
      this.listener.refused();
    } else if (reason >= FAILURES_FROM) {
      this.close();
    } else {
      this.connected = true;
      this.pings = window.setInterval(() => this.ping(), KEEP_ALIVE_S * 1000);
      if (this.topics.later.length) this.send(this.subscription(this.topics.later));
      this.listener.open();
    }
  }

  // Nothing at all since the last one: the answer to that is missing, the way is dead.
  ping() {
    if (!this.heard) {
      this.close();
      return;
    }
    this.heard = false;
    this.send(this.codec.encode_pkt("pingreq"));
  }
}

/**
 * @param {number} reason
 * @returns {boolean}
 */
export function isFailure(reason) {
  return reason >= FAILURES_FROM;
}
