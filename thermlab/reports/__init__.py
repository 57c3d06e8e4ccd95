"""Reports: an analysis in, files, sentences, tables, pictures and the rendered page out."""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(
    __name__,
    execute="CELL_TIMEOUT_S ExecutionFailedError Kernels execute_template normalise template_path use_light_validation",
    make="PAGE_FILES ReportJob ReportOutcome carried_results exit_status report report_one",
    pages=(
        "Block Column SAFETY cautions_block escape flag_names items join listing marks_of paragraph remark table tag "
        "view"
    ),
    photos="MAX_PHOTOS Photo read_photos",
    pictures="DASHED Picture bar hollow name_rows new_figure panel quiet side small_print stack style",
    render="WRITTEN picture plain_page prepare render_page style_sheet",
    results="Results filed_answers filed_lines head plain read_json read_results results_json to_results written",
    tables="found_by_checks run_table",
    wording="answers by_treatment difference_read headline_interval measured_words settings_of",
)
