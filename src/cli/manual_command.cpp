#include <fmt/format.h>

#include "command.hpp"
#include "manual.hpp"

namespace coldframe::cli {

Command add_manual(CLI::App& root) {
  struct Options {
    std::string page;
    bool names = false;
  };
  auto o = std::make_shared<Options>();
  auto* app = root.add_subcommand("manual", "A manual page, for man -l or a packager");
  app->footer(
      "Examples: coldframe manual run | man -l -\n"
      "          coldframe manual > coldframe.1");
  app->add_option("command", o->page, "Command whose page is wanted; none: the program's");
  app->add_flag("--names", o->names, "Print the names of all commands instead");
  return {app, [o, &root] {
            print(o->names ? fmt::format("{}\n", fmt::join(command_names(root), "\n"))
                           : manual_page(root, o->page));
            return 0;
          }};
}

Command add_completion(CLI::App& root) {
  auto shell = std::make_shared<std::string>();
  auto* app = root.add_subcommand("completion", "Script that completes commands and options");
  app->footer(
      "Example: coldframe completion bash > ~/.local/share/bash-completion/completions/coldframe");
  app->add_option("shell", *shell, "bash (zsh reads it too) or fish")
      ->required()
      ->check(CLI::IsMember({"bash", "fish"}));
  return {app, [shell, &root] {
            print(completion(root, *shell));
            return 0;
          }};
}

}  // namespace coldframe::cli
