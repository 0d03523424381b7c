"""What is kept: the journal with its outbox in one SQLite file, the history of readings in another."""
