"""Pages for people: made here, whole without script, alive where a browser runs one."""
