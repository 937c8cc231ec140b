"""The journal: the record of every session, one SQLite file per station.

schema      the tables, the meaning of their columns, the units in which numbers are stored
records     the values that are written
recorder    turns snapshots into records (pure)
file        turns records into rows
opening     creates, checks, opens the file on disk, or sets it aside
sizelimit   drops the oldest sessions when the file has reached its size
writer      the one thread that writes
companion   all of it beside a daemon
readonly    opens a journal for readers

    snapshots --> recorder --> records --> writer (queue | thread) --> file --> SQLite

Nothing here ever makes the daemon wait for a disk."""
