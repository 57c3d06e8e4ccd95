"""Archives: finished reports in, sealed bags that can be opened, checked and read back years later out."""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(
    __name__,
    bags="BagCheck TAG_MANIFEST check_bag is_bag",
    filed_results="FiledCampaign filed_runs one_mount_scatter read_archive",
    filing="BESIDE STAGED archive inspect",
    listing="BUILD CAMPAIGN Entry HISTORY HISTORY_DATA INDEX KINDS Kind LIST check_chain pending read_lines "
    "write_index",
)
