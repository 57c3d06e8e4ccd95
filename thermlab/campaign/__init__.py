"""Campaigns: the folder a user wrote in, ``campaign.yaml`` and ``runs.csv`` checked together out."""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(
    __name__,
    folder="Campaign RunsToReduce SETTINGS_NAME campaign_folder load_campaign new read_folder write_new",
    parameters="DECISION LIMITS ReportParameters apply_overrides as_made as_overrides check_parameters",
    runsheet="BY_HAND MAX_SHEET_BYTES NAME NOT_MADE OPTIONAL REQUIRED RunLine after_midnight overlapping "
    "read_run_sheet separator",
    settings="BenchSettings CampaignSettings CheckThresholds ConfidenceLevel LimitC Limits LogsAndRoom MarginK PowerW "
    "RoomC Treatment",
    yaml_files="Asked MAX_YAML_BYTES YamlTree load_yaml read_model resolve",
)
