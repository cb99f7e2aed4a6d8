"""sFlow version 5 (the specification of July 2004 at sflow.org), read without a socket."""
