"""What a Linux kernel says of its interfaces, bonds and routes, read without a socket."""
