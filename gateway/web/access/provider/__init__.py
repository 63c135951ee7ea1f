"""Sign-in by a provider of OpenID Connect (Core 1.0), beside name and password."""
