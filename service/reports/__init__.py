"""What is written for people who read once a week."""
