"""`python -m imgaudit` is `imgaudit`."""

from imgaudit.cli import main

main(prog_name="imgaudit")
