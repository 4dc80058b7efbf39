"""Noticing that a person puts a chip into the socket, or takes it out, without a key being pressed.

`watch.SeatWatch` is the judgement: pin checks, button and lever with their times go in; "a chip has arrived",
"it sits badly", "it is gone" come out. It has no clock, port or thread, so it can be tested in virtual time.
`driver.await_arrival` drives it over a session, in the port's own thread, by pin checks with the supplies
off; a job does that by its step `next-chip` (`jobs.request.JobRequest.await_chip`), before any other look.

Whoever works through many chips (a tray to check, sets of a board) hands in one job for each chip, with
`await_chip`; the first may find its chip in the socket already, for all later ones `occupied` is true: the
chip of the job before has to go first. A restart, a pause or a cancel then needs no rule of its own.
"""
