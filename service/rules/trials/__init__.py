"""A heavy-traffic check: what somebody says is pushed through a team, held against what its members count."""
