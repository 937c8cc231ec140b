"""One module a command: `add` declares its options, `call` runs it. See `moontrim.cli`."""
