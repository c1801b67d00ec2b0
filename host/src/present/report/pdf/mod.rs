//! The report as PDF: the same model, set by Typst, with embedded fonts and vector charts.

mod markup;

use super::model::Report;
use typst_as_lib::TypstEngine;
use typst_as_lib::typst_kit_options::TypstKitFontOptions;

/// Why there is no PDF.
#[derive(Debug, thiserror::Error)]
pub enum PdfError {
    /// The setting failed: a fault of this program, not of the data.
    #[error("the PDF could not be set: {0}; print the HTML report instead, and tell the makers")]
    Set(String),
}

/// The PDF's bytes; tagged, with title and language, fonts embedded.
pub fn pdf(report: &Report) -> Result<Vec<u8>, PdfError> {
    let set = markup::document(report);
    let files = set.charts.iter().map(|(name, svg)| (name.as_str(), svg.as_bytes().to_vec()));
    // Letters that Noto Sans lacks come from Typst's own fonts, never from the machine's.
    let fallback =
        TypstKitFontOptions::default().include_system_fonts(false).include_embedded_fonts(true);
    let engine = TypstEngine::builder()
        .main_file(set.source.as_str())
        .with_static_file_resolver(files)
        .fonts([notosans::REGULAR_TTF, notosans::BOLD_TTF, notosans::ITALIC_TTF])
        .search_fonts_with(fallback)
        .build();
    let document = engine.compile().output.map_err(|e| PdfError::Set(e.to_string()))?;
    typst_pdf::pdf(&document, &typst_pdf::PdfOptions::default()).map_err(|faults| {
        let said: Vec<String> = faults.iter().map(|f| f.message.to_string()).collect();
        PdfError::Set(said.join("; "))
    })
}
