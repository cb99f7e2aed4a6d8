"""What a week came to: where capacity lay stranded, who cannot lose a member, and where the even split is heading."""
