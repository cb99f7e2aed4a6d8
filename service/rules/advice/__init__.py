"""What could be done about a finding: every option with its odds, prerequisites and risks, and the sheet for it."""
