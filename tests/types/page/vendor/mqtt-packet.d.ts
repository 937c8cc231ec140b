// As much of the codec for MQTT packets as the page uses.

export interface Packet {
  type: string;
  topic: string;
  payload: Uint8Array;
  qos: number;
  pkt_id: number;
  retain: boolean;
  reason?: unknown;
  props?: { correlation_data?: Uint8Array } | null;
}

export interface PacketStream {
  encode_pkt(type: string, packet?: object): Uint8Array;
  decode_pkt(head: number, body: Uint8Array | null): Packet;
}

export function mqtt_pkt_ctx(level: number, options: object): { mqtt_stream(): PacketStream };
export const mqtt_opts_v5: object;
