"""``python -m service.cli``, the same as ``tideover``."""

from service.cli.program import main

main()
