"""Campaigns: the folder a user wrote in, ``campaign.yaml`` and ``runs.csv`` checked together out."""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(
    __name__,
    folder="Campaign SETTINGS_NAME load_campaign read_folder",
    overrides="DECISION apply_overrides as_made",
    parameters="as_overrides check_parameters",
    runsheet="MAX_SHEET_BYTES NAME OPTIONAL REQUIRED RunLine read_run_sheet separator",
    settings="CampaignSettings Limits UncertaintyInputs",
    start="new",
    thresholds="CheckThresholds describe",
    yaml_lines="MAX_YAML_BYTES YamlTree load_yaml",
    yaml_models="read_model",
)
