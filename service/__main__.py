"""`python -m service` is `lopside`."""

from service.cli import main

main()
