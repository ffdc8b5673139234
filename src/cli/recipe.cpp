// Recipe files: TOML behind CLI11's config interface. CLI11's own reader drops
// what follows '#' inside strings and passes over unknown keys.
#include <fmt/format.h>

#include <toml++/toml.h>
#include <sstream>

#include "coldframe/core/error.hpp"
#include "command.hpp"

namespace coldframe::cli {
namespace {

std::string value_text(const toml::node& node) {
  if (const auto* text = node.as_string()) return text->get();
  if (const auto* flag = node.as_boolean()) return flag->get() ? "true" : "false";
  if (const auto* whole = node.as_integer()) return fmt::format("{}", whole->get());
  if (const auto* real = node.as_floating_point()) return fmt::format("{}", real->get());
  throw CLI::ConfigError("a recipe holds texts, numbers, true/false and lists of them");
}

void collect(const toml::table& table, const std::vector<std::string>& parents,
             std::vector<CLI::ConfigItem>& items) {
  for (const auto& [key, node] : table) {
    const std::string name(key.str());
    if (const auto* inner = node.as_table()) {
      auto deeper = parents;
      deeper.push_back(name);
      collect(*inner, deeper, items);
      continue;
    }
    CLI::ConfigItem item;
    item.parents = parents;
    item.name = name;
    if (const auto* list = node.as_array()) {
      for (const auto& element : *list) item.inputs.push_back(value_text(element));
      if (item.inputs.empty()) continue;
    } else {
      item.inputs.push_back(value_text(node));
    }
    items.push_back(std::move(item));
  }
}

class TomlConfig : public CLI::Config {
 public:
  std::vector<CLI::ConfigItem> from_config(std::istream& input) const override {
    std::vector<CLI::ConfigItem> items;
    try {
      collect(toml::parse(input), {}, items);
    } catch (const toml::parse_error& error) {
      const auto at = error.source().begin;
      throw CLI::ConfigError(fmt::format("recipe, line {}: {}", at.line, error.description()));
    }
    return items;
  }
  std::string to_config(const CLI::App* app, bool /*default_also*/, bool /*write_description*/,
                        std::string /*prefix*/) const override {
    return recipe_of(*app);
  }
};

}  // namespace

std::string recipe_of(const CLI::App& app) {
  toml::table options;
  for (const auto* option : app.get_options()) {
    const std::string name = option->get_single_name();
    if (name == "help" || name == "recipe" || option->count() == 0) continue;
    const auto& results = option->results();
    if (option->get_expected_max() == 0) {
      options.insert_or_assign(name, true);
    } else if (option->get_expected_max() == 1 && results.size() == 1) {
      options.insert_or_assign(name, results.front());
    } else {
      toml::array list;
      for (const auto& value : results) list.push_back(value);
      options.insert_or_assign(name, std::move(list));
    }
  }
  toml::table root;
  root.insert_or_assign(app.get_name(), std::move(options));
  std::ostringstream text;
  text << "# options of this run; use it again with --recipe\n" << root << "\n";
  return text.str();
}

void add_recipe(CLI::App& root) {
  root.config_formatter(std::make_shared<TomlConfig>());
  root.allow_config_extras(CLI::config_extras_mode::error);
  root.set_config("--recipe", "", "Options from a TOML file, one table per command");
}

}  // namespace coldframe::cli
