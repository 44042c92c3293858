#!/usr/bin/env bash
# lampkeep on the real Linux driver, in a guest: tests/driver/run.
cd "$(dirname "$0")/../.." && exec tests/driver/run
