"""The remote side: broker, MQTT and the phone page. It runs beside the daemon and never between the
daemon and the radio: its failures are logged and tried again, and the radio stays on frequency.

`companion` starts all of it. Its rooms: `broker` (the child process, accounts, passwords),
`commands` (what phones send), `published` (what they receive), `wire` (MQTT connection and web
server), `page` (the files of the phone page)."""
