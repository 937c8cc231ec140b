"""The transmit sequence: relays settle, then the radio is keyed; unkeyed in reverse.

sequence    in which order and when (pure)
interlocks  why transmitting is not allowed now (pure)
keyer       the one task that carries the sequence out and drops it
outputs     what is switched: radio, serial lines, GPIO lines, networked relays
inputs      an external relay or foot switch as transmit state
unkey       dropping everything without the daemon

Nothing here knows the Moon, the tracker or the rig link; they come in as callables."""
