"""Logs: the bytes of a file and what was declared about it in, times and columns in standard units out.

Exactly as declared, or one error with every line that is not; nothing is guessed.
"""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(
    __name__,
    cells="STANDARD UNIT_OF number_and_rest",
    log="ClockJump Log NoRowsYetError RoomLog read_log read_room_log",
    settings=(
        "AmbientLogSettings Broken Clock Line LogSettings Model Name ROOM_C TemperatureColumns Text "
        "TimeSettings refused"
    ),
    text="MAX_BYTES likely_encoding numbered split_line",
    times="DAY_S UNIT_S date_seconds example iso_time parse_time pattern_of seconds_of",
)
