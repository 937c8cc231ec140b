"""The remote side: broker, MQTT and the phone page. A convenience beside the daemon, never a part
of its way to the radio: whatever fails here is logged and tried again, and the radio stays on
frequency.

`side` starts it all, `settings` is its table in the config. What is published: `messages`, `trace`,
`feed`, `discovery`. What is asked: `body`, `asking`, `guards`, `admission`, `replies`. Alone in
what they touch: `mqtt` (aiomqtt), `broker` (the child process), `web` (the page), `secrets`
(passwords)."""
