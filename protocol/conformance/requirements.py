"""The requirements of a device in `SPEC.md`, in a few words each, and those that no wire can show."""

DEVICE: dict[str, str] = {
    "D1": "damaged frames are dropped whole and counted, and have no effect but a NAK",
    "D2": "empty blocks mean nothing",
    "D3": "frames may be cut and merged at any byte",
    "D4": "both forms of COBS are decoded",
    "D5": "HELLO starts a session; with the nonce of the present one it changes nothing",
    "D6": "boot_id goes up at each start",
    "D7": "a HELLO of another major version is refused and changes nothing",
    "D8": "frames of another session are dropped and do not feed the watchdog",
    "D9": "nothing is answered before the first HELLO",
    "D10": "requests in order are queued; gaps and strays are not",
    "D11": "a repeat is answered, never carried out again",
    "D12": "each request ends with one RESULT, in order",
    "D13": "acceptance does not wait for the request that runs",
    "D14": "what is malformed, unknown or not allowed is accepted and completes with the status that says so",
    "D15": "one NAK for the first gap or damage until the expected request has come",
    "D16": "KEEPALIVE, ABORT and HELLO bypass the queue; KEEPALIVE tells where the device stands",
    "D17": "ABORT stops what runs and what waits, and takes the supplies off",
    "D18": "no operation number is carried out twice",
    "D19": "the watchdog takes the supplies off",
    "D20": "faults latch, ride in every answer, and keep the device from altering",
    "D21": "each way out ends the pulse, then VPP, then VCC",
    "D22": "what a device cannot honour in a descriptor is refused by its record",
    "D23": "SETUP is refused while a supply is on; a refused or half-sent descriptor leaves no part",
    "D24": "the descriptor outlives HELLO and ABORT, not a reset",
    "D25": "SUPPLY apply: VCC before VPP, within the limits of part and device",
    "D26": "a fixed supply takes its own value, one set by hand wants to be confirmed",
    "D27": "SUPPLY discharge ends below 0.5 V and is never refused",
    "D28": "READ, BLANK and DIGEST happen at the VCC and in the mode that they name",
    "D29": "VPP and the ID voltage reach only the pins that the mode table gives them",
    "D30": "no word gets more pulses than the loop allows",
    "D31": "later fields are ignored, unknown opcodes answered",
    "D32": "the limits and records in the answer to HELLO are as section 5 has them",
    "D33": "needs and ranges are judged in order, details are where they belong",
    "D34": "READ, BLANK and DIGEST deliver what they say",
    "D35": "PROGRAM and its like do and report what they say, with pulses of the right length",
    "D36": "CONTACT, IDENTIFY, MEASURE, STATS and CLEAR_FAULT keep to their items",
}

NOT_OBSERVABLE: dict[str, str] = {
    "D21": "needs a meter: the order in which pulse, VPP and VCC end is at the pins. Watch VPP and VCC on two"
    " channels of an oscilloscope while ABORT, the watchdog and the reset button end a PROGRAM. From here it"
    " is only seen that the supplies are off afterwards.",
    "D29": "needs a meter: which pins VPP and the ID voltage reach. Measure every pin of the empty socket"
    " while VPP is applied. From here it is only seen that a descriptor with other pins is refused (D22).",
}
"""Why a requirement cannot be seen from the wire, and what shows it instead."""
