#include <fmt/format.h>

#include "html.hpp"

namespace coldframe::view {

std::string residual_block(const ReportResult& result) {
  std::vector<std::vector<Arrow>> lists;
  for (const auto& sub : result.subs) lists.push_back(sub.residuals);
  const double length = common_arrow_length(lists);
  std::string figures;
  for (std::size_t i = 0; i < result.subs.size(); ++i) {
    const auto& sub = result.subs[i];
    const auto what = fmt::format("Registration residuals of {} stars of {}, median scatter {} px",
                                  sub.residuals.size(), sub.path, number(sub.residual_px, -3));
    const auto svg = arrows_svg(what, sub.frame.width, sub.frame.height, sub.residuals, length);
    if (svg.empty()) continue;
    figures += fmt::format("<figure>{}<figcaption>{}. {}</figcaption></figure>\n", svg, i + 1,
                           html_escape(sub.path));
  }
  if (figures.empty()) return "";
  return fmt::format(
      "<details><summary>Registration, star by star</summary>\n<p class=\"quiet\">Each picture is "
      "a sub's frame; arrows lead from some of its stars' true places to the mapped ones. A sixth "
      "of the picture's longer side stands for {} px of the reference. Arrows without order are "
      "the stars' own noise; a pattern common to many subs is distortion that the mapping does "
      "not hold.</p>\n<div class=\"vectors\">\n{}</div></details>\n",
      number(length, 2), figures);
}

}  // namespace coldframe::view
