"""The command line: one module per command. In each, `add` declares the command's options and
`call` runs it with the parsed options and returns the exit code. `main` parses and calls.

The table of all commands is here, so that only the module of the command that runs is imported."""

# Name: what it does, for `--help`. The module has the same name without hyphens.
COMMANDS = {
    "run": "keep the radio of a config on frequency until stopped",
    "rehearse": "run the whole daemon on a simulated radio",
    "forecast": "choose the hours: windows, spread, loss, noise, signal",
    "path": "the exact path at given instants: delays, shifts, spread",
    "check": "is everything in place? never keys",
    "report": "say how a recorded session went, with figures and evidence",
    "tone": "measure a weak carrier in a recording, to 0.01 Hz and better",
    "passband": "how flat the receiver is, from a recording of noise",
    "ports": "list the serial ports there are, with the line for the config",
    "simulate": "serve a simulated radio on a pseudo-terminal or a TCP port",
    "install-service": "run moontrim as a service of systemd, from now on",
    "access": "show address, password and QR code of the phone page; changes nothing",
    "forbid": "forbid transmitting at the daemon that runs; needs no broker and no network",
    "permit": "permit transmitting at the daemon that runs, after showing what to check first",
    "unkey": "switch off everything a config could key; for when moontrim died",
    "schema": "print the JSON schema of the config file",
}
