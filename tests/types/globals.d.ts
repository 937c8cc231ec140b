// What the page's modules use beside the browser's own.

interface Window {
  /** The socket that early.js has opened, until link.js takes it over. */
  early?: WebSocket;
  /** Of theme.js, which runs before everything else. */
  moontrimTheme: { chosen(): string; choose(name: string): void };
}
