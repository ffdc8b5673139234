/// \file
/// The page of a comparison: two pictures side by side, figures, verdict. Stands alone; no scripts.
#pragma once

#include <string>
#include <vector>

namespace coldframe::view {

struct ComparisonRow {
  std::string name, unit, a, b, ratio, words;
  bool shown = false;
};

struct ComparisonPage {
  std::string title, name_a, name_b;
  std::string png_a_base64, png_b_base64;  ///< may be empty
  std::string picture_words;
  std::vector<std::string> verdict, notes;
  std::vector<ComparisonRow> rows;
};

[[nodiscard]] std::string comparison_html(const ComparisonPage& page);

}  // namespace coldframe::view
