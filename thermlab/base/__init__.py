"""What every package shares: errors, files, numbers as people read them, colours, how results show themselves.

Standard library only; nothing here knows a bench, a log or a report.
"""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(
    __name__,
    errors="ArchiveError InputError Problem ReportError ThermlabError",
    faces="face",
    filing="copy_file open_regular read_regular replace_file sha256_file show_name sync_folder walk_files write_file",
    marks="MARKER Mark PAGE SEVERITY SEVERITY_LETTER treatment_marks",
    outputs="FAILED check_target locked publish publish_failure",
    paths="PathRefusedError commands_terminal inside read_plain shown",
    phrases=(
        "Interval decimals_for difference_words interval_decimals listed number percent span_words together "
        "watt_decimals watts with_interval"
    ),
    rounding=(
        "NOT_AVAILABLE format_interval format_with_uncertainty round_to_uncertainty round_uncertainty "
        "uncertainty_decimals"
    ),
    showing="Shown",
)
