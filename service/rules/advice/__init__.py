"""What would help, with what odds, what it takes at both ends; and the sheet for a site's own change control."""
