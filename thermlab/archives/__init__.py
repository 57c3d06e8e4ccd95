"""Archives: finished reports in, sealed bags that can be opened, checked and read back years later out."""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(
    __name__,
    bags="BagCheck TAG_MANIFEST check_bag is_bag",
    filed_results="FiledCampaign filed_runs read_archive",
    filing="BESIDE BUILD CAMPAIGN KINDS STAGED Kind archive inspect",
    listing="Entry HISTORY INDEX LIST check_chain pending read_lines write_index",
)
