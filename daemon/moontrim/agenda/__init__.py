"""The agenda of skeds, which the daemon follows unattended: what may be added to it (`checks`),
calendar files (`calendarfile`), when an entry is followed and what became of it (`following`), and
the companion of the daemon that does it (`follower`)."""
