// Any bytes as a recipe. A fault is CLI11's ParseError, which the program answers with status 2.
#include "cli/command.hpp"
#include "fits/input_file.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const InputFile file(data, size);
  CLI::App root("fuzz", "coldframe");
  coldframe::cli::add_recipe(root);
  root.require_subcommand(0, 1);
  auto* run = root.add_subcommand("run", "");
  std::string out;
  std::vector<std::string> list;
  double number = 0.0;
  bool flag = false;
  run->add_option("--out", out);
  run->add_option("--drop", list)->take_all();
  run->add_option("--kappa-low", number)->check(CLI::Range(0.5, 100.0));
  run->add_flag("--quiet", flag);
  try {
    root.parse("--recipe " + file.path().string() + " run");
    (void)coldframe::cli::recipe_of(*run);
  } catch (const CLI::ParseError&) {
  }
  return 0;
}
