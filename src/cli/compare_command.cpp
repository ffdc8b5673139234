#include "coldframe/session/compare.hpp"

#include "command.hpp"

namespace coldframe::cli {
namespace {

struct Options {
  Common common;
  std::string a, b, filter, page;
  double price_a = 0.0, price_b = 0.0;
};

int execute(const Options& o) {
  auto a = session::load_setup(o.a, o.filter);
  auto b = session::load_setup(o.b, o.filter);
  if (o.price_a > 0.0) a.price = o.price_a;
  if (o.price_b > 0.0) b.price = o.price_b;
  const auto comparison = session::compare_setups(std::move(a), std::move(b));
  if (!o.page.empty()) session::write_comparison(comparison, o.page);
  if (o.common.json) {
    print(session::comparison_json(comparison));
  } else if (!o.common.quiet) {
    print(session::comparison_text(comparison));
  }
  return 0;
}

}  // namespace

Command add_compare(CLI::App& root) {
  auto o = std::make_shared<Options>();
  auto* app = root.add_subcommand(
      "compare", "Two results of one target on equal terms: width, light, sky, speed");
  app->footer(
      "Example: coldframe compare out_refractor out_reflector -o compared.html\n"
      "'Speed' is how fast (signal/noise)^2 grows with exposure: twice the speed needs half the\n"
      "hours for the same depth. Stars that both results show are the measure, so no catalogue is\n"
      "needed; other filters or nights compare too, with what differs said.");
  add_common(*app, o->common, false);
  app->add_option("a", o->a, "Folder that run filled, its session.json, or one of its results")
      ->required();
  app->add_option("b", o->b, "The other one")->required();
  app->add_option("-o,--out", o->page, "File for a page with both pictures side by side");
  app->add_option("--filter", o->filter, "Which result, when there are several");
  app->add_option("--price-a", o->price_a, "Price of the first set-up, for speed per price")
      ->check(CLI::PositiveNumber);
  app->add_option("--price-b", o->price_b, "Price of the second")->check(CLI::PositiveNumber);
  return {app, [o] { return execute(*o); }};
}

}  // namespace coldframe::cli
