"""Who may come over HTTP, and as whom: people, sign-in, sessions, tokens, TLS."""
