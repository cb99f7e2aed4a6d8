"""IP Flow Information Export (RFC 7011), read without a socket."""
