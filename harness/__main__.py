"""`python -m harness` is the same as `ratioproof`."""

import sys

from harness.command_line import main

sys.exit(main())
