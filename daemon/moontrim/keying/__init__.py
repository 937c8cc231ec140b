"""The transmit sequence: switches relays, lets them settle, keys the radio; unkeys in reverse.

sequence     the order and the times of the switches (pure)
interlocks   the reasons against transmitting now (pure)
ownership    who holds the key
keyer        the one task that carries the sequence out and ends it
switching    one switch at a time, each with a deadline
outputs      what is switched: radio, serial lines, GPIO lines, networked relays
contacts     an external relay or foot switch that shows that the radio transmits
modemlines   RTS, DTR, CTS and DSR of a serial port
gpio         lines of a GPIO chip
view         what others see of the sequence
unkey        switches everything off without the daemon

This package knows neither the Moon, the tracker nor the rig link: they come in as callables."""
