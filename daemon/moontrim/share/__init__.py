"""The share: moontrim's own rig-control socket, through which other programs use the same radio.

They see and set the sked frequency, on the air; the dial underneath follows the Moon. See `server`
for how it is started."""
