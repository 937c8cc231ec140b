"""The share: moontrim's own rig-control socket, through which other programs use the same radio.

They read and set the sked frequency, as it is on the air; the dial underneath follows the Moon.
`server` starts it and says how."""
