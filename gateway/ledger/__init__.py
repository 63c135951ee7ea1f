"""What is kept: history, events, plans, memory, cursors and the audit trail, in one file with one writer."""
