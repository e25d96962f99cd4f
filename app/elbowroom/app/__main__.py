"""`python -m elbowroom.app`: the same as the `elbowroom` command."""

import sys

from elbowroom.app.cli import main

sys.exit(main())
