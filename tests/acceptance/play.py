"""One run of plant, gateway and office, and what is on record of it afterwards.

Nothing here judges: the tests do, on the record of a run that has been played
once. Everything is waited for with a time-out; plant times are read from the
plant.
"""

import asyncio
import contextlib
import os
import re
import signal
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

from gateway.local.client import FieldClient, FieldError
from gateway.local.messages import Answered, Ask, JournalEntry, LiveEvent, Status
from gateway.store import journal, sample_log
from gateway.store.database import Database
from gateway.store.findings import Finding
from gateway.store.migrations import PLANT
from gateway.store.sample_log import SampleRow
from simulator.control_client import Control
