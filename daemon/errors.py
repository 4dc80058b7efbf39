"""The one error that the daemon raises on purpose, and the table of its stable codes.

A code is part of the API: scripts compare it, so it never changes its meaning. What a person reads is the
message (what is wrong, with the numbers) and the hint (what to do next). HTTP status is chosen elsewhere.
"""

from collections.abc import Mapping
from enum import StrEnum
from typing import Any


class Code(StrEnum):
    """Stable error codes, alphabetical. Add one line here for a new way to fail."""

    ACCESS_REFUSED = "access-refused"
    ACCESS_UNPROVEN = "access-unproven"
    ADAPTER_DOES_NOT_FIT = "adapter-does-not-fit"
    ADAPTER_INVALID = "adapter-invalid"
    ADAPTER_UNKNOWN = "adapter-unknown"
    ADDRESS_BUSY = "address-busy"
    ADDRESS_UNUSABLE = "address-unusable"
    BACKUP_INVALID = "backup-invalid"
    BATCH_STATE = "batch-state"
    BENCH_STOPPING = "bench-stopping"
    BLOB_DAMAGED = "blob-damaged"
    BLOB_MISSING = "blob-missing"
    BOARD_COVERAGE = "board-coverage"
    BOARD_PARTS = "board-parts"
    BOARD_REASSEMBLY = "board-reassembly"
    BOARD_SOURCE = "board-source"
    BODY_TOO_LARGE = "body-too-large"
    CHIP_BUSY = "chip-busy"
    CONSENT_NEEDED = "consent-needed"
    CONTENT_MISSING = "content-missing"
    DEVICE_FAULT = "device-fault"
    DEVICE_REFUSED = "device-refused"
    DEVICE_SILENT = "device-silent"
    DEVICE_VERSION = "device-version"
    DEVICE_VIOLATION = "device-violation"
    DISK_FULL = "disk-full"
    ERASE_ESTIMATE_INPUT = "erase-estimate-input"
    ERASE_SERIES_IMPOSSIBLE = "erase-series-impossible"
    EXPOSURE_STATE = "exposure-state"
    EXPOSURE_TIME_UNKNOWN = "exposure-time-unknown"
    HOST_REFUSED = "host-refused"
    IDEMPOTENCY_IN_FLIGHT = "idempotency-in-flight"
    IDEMPOTENCY_MISSING = "idempotency-missing"
    IDEMPOTENCY_REUSED = "idempotency-reused"
    IMAGE_EMPTY = "image-empty"
    IMAGE_FORMAT = "image-format"
    IMAGE_IN_USE = "image-in-use"
    IMAGE_OVERLAP = "image-overlap"
    IMAGE_PLACEMENT = "image-placement"
    IMAGE_SPAN = "image-span"
    IMAGE_TOO_LARGE = "image-too-large"
    INTERNAL = "internal"
    JOB_ENDED = "job-ended"
    JOB_QUEUE_FULL = "job-queue-full"
    JOB_REQUEST = "job-request"
    JOB_STATE = "job-state"
    LABEL_INVALID = "label-invalid"
    LAMP_IN_USE = "lamp-in-use"
    LEASE_HELD = "lease-held"
    LEASE_UNKNOWN = "lease-unknown"
    LINK_LOST = "link-lost"
    MEDIA_TYPE = "media-type"
    METHOD_NOT_ALLOWED = "method-not-allowed"
    NAME_INVALID = "name-invalid"
    NAME_TAKEN = "name-taken"
    NO_PROGRAMMER = "no-programmer"
    NO_QUESTION = "no-question"
    NOT_FOUND = "not-found"
    NOT_PREPARED = "not-prepared"
    ORIGIN_REFUSED = "origin-refused"
    PART_AMBIGUOUS = "part-ambiguous"
    PART_CANNOT = "part-cannot"
    PART_DOES_NOT_FIT = "part-does-not-fit"
    PART_INVALID = "part-invalid"
    PART_READ_ONLY = "part-read-only"
    PART_UNKNOWN = "part-unknown"
    PORT_BUSY = "port-busy"
    PORT_CLOSED = "port-closed"
    PORT_LOST = "port-lost"
    PORT_MISSING = "port-missing"
    PORT_PERMISSION = "port-permission"
    PORT_UNUSABLE = "port-unusable"
    PORT_WRITE_TIMEOUT = "port-write-timeout"
    PROGRAMMER_AMBIGUOUS = "programmer-ambiguous"
    PROGRAMMER_CANNOT = "programmer-cannot"
    PROGRAMMER_GONE = "programmer-gone"
    RECIPE_INVALID = "recipe-invalid"
    RECIPE_STEP = "recipe-step"
    REQUEST_INVALID = "request-invalid"
    RUNTIME_FILE_UNSAFE = "runtime-file-unsafe"
    SETTINGS_INVALID = "settings-invalid"
    STATE_DIR_BUSY = "state-dir-busy"
    STATE_DIR_UNSAFE = "state-dir-unsafe"
    STATE_DIR_UNUSABLE = "state-dir-unusable"
    STEP_TIMEOUT = "step-timeout"
    STORE_BUSY = "store-busy"
    STORE_DAMAGED = "store-damaged"
    STORE_FOREIGN = "store-foreign"
    STORE_IN_USE = "store-in-use"
    STORE_MIGRATION = "store-migration"
    STORE_NEWER = "store-newer"
    STORE_UNREACHABLE = "store-unreachable"
    STREAMS_FULL = "streams-full"


class BenchError(Exception):
    """A failure that a user can act on.

    `field` names the offending input (a request field, a file and key); `details` holds the numbers for
    programs.
    """

    def __init__(
        self,
        code: Code,
        message: str,
        *,
        hint: str = "",
        field: str | None = None,
        details: Mapping[str, Any] | None = None,
    ) -> None:
        super().__init__(message)
        self.code = code
        self.message = message
        self.hint = hint
        self.field = field
        self.details: dict[str, Any] = dict(details or {})
