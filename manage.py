#!/usr/bin/env python
"""Holdfast's command line."""

import os
import sys

if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "facility.settings")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # small matrices: threads only wait
    from django.core.management import execute_from_command_line

    execute_from_command_line(sys.argv)
