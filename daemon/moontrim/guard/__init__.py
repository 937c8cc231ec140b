"""A process of its own that unkeys the radio when the daemon cannot. A radio keyed by a command
stays keyed when the daemon is stopped, hangs or dies; a line would have dropped.

    daemon                                    guard process
    keying task goes round, loop turns  --arm (how to unkey), a beat each 0.1 s, disarm-->  process
    unkeyguard                          <--armed, alive, fired--                            |
                                                                              radio <--unkey+

`process` is its program, `unkeyguard` the daemon's side, `child` the process and its connection as
the daemon holds them. Either side that falls silent ends the over: the guard unkeys the radio, or
the daemon does. The process imports nothing but the standard library, so that it is small and
starts at once."""
