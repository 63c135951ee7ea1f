"""What is asked for and done over HTTP, answered out of what the daemon joins: pipeline, ledger, actions, reports."""
