"""What every package shares: errors, files, numbers as people read them, colours, how results show themselves.

Standard library only; nothing here knows a bench, a log or a report.
"""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(
    __name__,
    errors="ArchiveError InputError Problem ReportError ReportState ThermlabError commands_terminal show_name shown",
    faces="face",
    files=(
        "FAILED PathRefusedError check_target copy_file fits held inside locked publish publish_failure "
        "read_plain read_regular replace_file sha256_file sync_folder walk_files write_file"
    ),
    marks="MARKER Mark PAGE SEVERITY SEVERITY_LETTER treatment_marks",
    numbers=(
        "Interval counted decimals_for difference_words interval_decimals listed number percent span_words together "
        "watt_decimals watts with_interval"
    ),
    showing="Shown",
)
