"""The command line: one module per command. In each, `add` declares the command's options and
`call` runs it with the parsed options and returns the exit code. `main` parses and calls.

The table of all commands is here, so that only the module of the command that runs is imported."""

# Name: what it does, for `--help`. The module has the same name without hyphens.
COMMANDS = {
    "run": "keep the radio on frequency until stopped",
    "rehearse": "run the whole daemon on a simulated radio",
    "forecast": "choose the hours: windows, spread, loss, noise, signal",
    "path": "delay, Doppler and spread at given times",
    "check": "pre-flight check; never transmits",
    "report": "report on a recorded session, with figures and evidence",
    "tone": "measure a weak carrier in a recording, to 0.01 Hz and better",
    "passband": "measure receiver flatness from a noise recording",
    "straighten": "take the steps of the dial out of a recording",
    "ports": "list serial ports and their config lines",
    "simulate": "serve a simulated radio on a pseudo-terminal or a TCP port",
    "install-service": "install moontrim as a systemd service",
    "access": "show address, password and QR code of the phone page; changes nothing",
    "forbid": "inhibit transmit on the running daemon; needs no broker and no network",
    "agenda": "list, add, remove, import and export skeds with times, followed unattended",
    "sked": "list, choose, add and remove skeds, also on the running daemon",
    "permit": "allow transmit again on the running daemon, after a check list",
    "unkey": "release everything the config can key, e.g. after a crash",
    "schema": "print the JSON schema of the config file",
}
