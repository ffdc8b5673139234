// Manual pages and shell completion, both written from the command line's own definition, so that
// they cannot tell another story than --help.
#include "manual.hpp"

#include <fmt/format.h>

#include <algorithm>

#include "coldframe/core/error.hpp"
#include "coldframe/core/version.hpp"

namespace coldframe::cli {
namespace {

// roff reads a leading dot or quote as a request, a backslash as an escape and '-' as a hyphen.
std::string roff(const std::string& text) {
  std::string out;
  bool line_start = true;
  for (const char c : text) {
    if (line_start && (c == '.' || c == '\'')) out += "\\&";
    if (c == '\\') {
      out += "\\e";
    } else if (c == '-') {
      out += "\\-";
    } else {
      out += c;
    }
    line_start = c == '\n';
  }
  return out;
}

std::string heading(const std::string& page) {
  std::string upper = page;
  std::transform(upper.begin(), upper.end(), upper.begin(),
                 [](unsigned char c) { return static_cast<char>(std::toupper(c)); });
  return fmt::format(".TH {} 1 \"\" \"coldframe {}\" \"Coldframe\"\n", roff(upper), version());
}

std::string value_of(const CLI::Option& option) {
  std::string type = option.get_type_size() != 0 ? option.get_type_name() : "";
  // A sum of a type and what is checked of it reads TYPE:CHECK.
  std::replace(type.begin(), type.end(), ':', ' ');
  return type;
}

std::string synopsis(const CLI::App& app, const std::string& name) {
  std::string line = ".B " + roff(name) + "\n";
  for (const auto* option : app.get_options()) {
    if (!option->get_positional() || option->get_group().empty()) continue;
    const std::string what = ".I " + roff(option->get_name(true, false));
    line += option->get_required() ? what + "\n" : ".RI [ " + what.substr(3) + " ]\n";
  }
  return line + ".RI [ options ]\n";
}

void describe(const CLI::Option& option, std::string& text) {
  const bool positional = option.get_positional() && option.nonpositional() == false;
  text += ".TP\n.B " + roff(option.get_name(positional, !positional));
  const auto value = value_of(option);
  if (!value.empty()) text += " " + roff(value);
  text += "\n" + roff(option.get_description());
  if (const auto& standard = option.get_default_str(); !standard.empty())
    text += roff(" (default: " + standard + ")");
  if (option.get_required()) text += " (required)";
  text += "\n";
}

void describe_groups(const CLI::App& app, std::string& text) {
  for (const auto& group : app.get_groups()) {
    std::string body;
    for (const auto* option : app.get_options()) {
      if (option->get_group() == group && !group.empty()) describe(*option, body);
    }
    if (!body.empty()) text += ".SS \"" + roff(group) + "\"\n" + body;
  }
}

std::vector<const CLI::App*> shown_commands(const CLI::App& root) {
  std::vector<const CLI::App*> shown;
  for (const auto* app : root.get_subcommands([](const CLI::App*) { return true; })) {
    if (!app->get_group().empty()) shown.push_back(app);
  }
  return shown;
}

std::string exit_statuses() {
  return ".SH \"EXIT STATUS\"\n"
         "0 done; 2 usage; 3 unusable input; 4 not enough usable data; 5 input or output failed;\n"
         "130 interrupted.\n";
}

std::string command_page(const CLI::App& root, const CLI::App& app) {
  const std::string page = root.get_name() + "-" + app.get_name();
  std::string text = heading(page) + ".SH NAME\n" + roff(page + " - " + app.get_description()) +
                     "\n.SH SYNOPSIS\n" + synopsis(app, root.get_name() + " " + app.get_name()) +
                     ".SH OPTIONS\n";
  describe_groups(app, text);
  if (const auto footer = app.get_footer(); !footer.empty())
    text += ".SH EXAMPLES\n.nf\n" + roff(footer) + "\n.fi\n";
  return text + exit_statuses() + ".SH \"SEE ALSO\"\n.BR " + roff(root.get_name()) + " (1)\n";
}

std::string root_page(const CLI::App& root) {
  std::string text = heading(root.get_name()) + ".SH NAME\n" +
                     roff(root.get_name() + " - " + root.get_description()) +
                     "\n.SH SYNOPSIS\n.B " + roff(root.get_name()) +
                     "\n.I command\n.RI [ options ]\n.SH COMMANDS\n";
  for (const auto* app : shown_commands(root)) {
    text += ".TP\n.BR " + roff(root.get_name() + "-" + app->get_name()) + " (1)\n" +
            roff(app->get_description()) + "\n";
  }
  text += ".SH OPTIONS\n";
  describe_groups(root, text);
  return text + exit_statuses();
}

// ---- completion ----

std::vector<std::string> long_names(const CLI::App& app) {
  std::vector<std::string> names;
  for (const auto* option : app.get_options()) {
    if (option->get_group().empty()) continue;
    for (const auto& name : option->get_lnames()) names.push_back("--" + name);
    for (const auto& name : option->get_snames()) names.push_back("-" + name);
  }
  return names;
}

/// Words that an option may be given, of a type like TEXT:{keep,remove}.
std::string choices_of(const CLI::Option& option) {
  const std::string type = option.get_type_name();
  const auto open = type.find('{'), close = type.find('}');
  if (open == std::string::npos || close == std::string::npos || close < open) return {};
  std::string words = type.substr(open + 1, close - open - 1);
  std::replace(words.begin(), words.end(), ',', ' ');
  return words;
}

/// "name) words of the options that take one of a few words" lines of a shell's case statement.
std::string choice_cases(const CLI::App& app) {
  std::string text;
  for (const auto* option : app.get_options()) {
    const auto words = choices_of(*option);
    if (words.empty() || option->get_lnames().empty()) continue;
    text += fmt::format("      {}:--{}) words='{}' ;;\n", app.get_name(),
                        option->get_lnames().front(), words);
  }
  return text;
}

std::string bash_completion(const CLI::App& root) {
  std::string commands, options, choices;
  for (const auto* app : shown_commands(root)) {
    commands += (commands.empty() ? "" : " ") + app->get_name();
    options +=
        fmt::format("      {}) words='{}' ;;\n", app->get_name(), fmt::join(long_names(*app), " "));
    choices += choice_cases(*app);
  }
  return fmt::format(
      "# Completion of {0} for bash; zsh reads it after 'autoload -U bashcompinit; bashcompinit'.\n"
      "_{0}() {{\n"
      "  local current=${{COMP_WORDS[COMP_CWORD]}} before=${{COMP_WORDS[COMP_CWORD-1]}}\n"
      "  local command='' words='' word\n"
      "  for word in \"${{COMP_WORDS[@]:1:COMP_CWORD-1}}\"; do\n"
      "    case \" {1} \" in *\" $word \"*) command=$word; break ;; esac\n"
      "  done\n"
      "  if [ -z \"$command\" ]; then\n"
      "    COMPREPLY=($(compgen -W '{1} --help --version --recipe' -- \"$current\")); return\n"
      "  fi\n"
      "  case \"$command:$before\" in\n{2}"
      "  esac\n"
      "  if [ -n \"$words\" ]; then\n"
      "    COMPREPLY=($(compgen -W \"$words\" -- \"$current\")); return\n"
      "  fi\n"
      "  case \"$current\" in -*)\n"
      "    case \"$command\" in\n{3}"
      "    esac\n"
      "    COMPREPLY=($(compgen -W \"$words\" -- \"$current\")); return ;;\n"
      "  esac\n"
      "  COMPREPLY=()  # a file: bash's own way\n"
      "}}\n"
      "complete -o default -o bashdefault -F _{0} {0}\n",
      root.get_name(), commands, choices, options);
}

std::string fish_quoted(const std::string& text) {
  std::string out = "'";
  for (const char c : text) {
    if (c == '\'' || c == '\\') out += '\\';
    out += c;
  }
  return out + "'";
}

std::string fish_completion(const CLI::App& root) {
  const auto& name = root.get_name();
  std::string text = fmt::format("# Completion of {} for fish.\n", name);
  for (const auto* app : shown_commands(root)) {
    text += fmt::format("complete -c {} -n __fish_use_subcommand -a {} -d {}\n", name,
                        app->get_name(), fish_quoted(app->get_description()));
    for (const auto* option : app->get_options()) {
      if (option->get_group().empty() || option->get_lnames().empty()) continue;
      const auto words = choices_of(*option);
      text += fmt::format("complete -c {} -n '__fish_seen_subcommand_from {}' -l {}{}{} -d {}\n",
                          name, app->get_name(), option->get_lnames().front(),
                          option->get_snames().empty() ? "" : " -s " + option->get_snames().front(),
                          !words.empty()                          ? " -x -a " + fish_quoted(words)
                          : option->get_items_expected_max() == 0 ? ""
                                                                  : " -r",
                          fish_quoted(option->get_description()));
    }
  }
  return text;
}

}  // namespace

std::string manual_page(const CLI::App& root, const std::string& command) {
  if (command.empty()) return root_page(root);
  for (const auto* app : shown_commands(root)) {
    if (app->get_name() == command) return command_page(root, *app);
  }
  throw Error(ErrorKind::usage, command, "is no command", "see coldframe --help");
}

std::string completion(const CLI::App& root, const std::string& shell) {
  return shell == "fish" ? fish_completion(root) : bash_completion(root);
}

std::vector<std::string> command_names(const CLI::App& root) {
  std::vector<std::string> names;
  for (const auto* app : shown_commands(root)) names.push_back(app->get_name());
  return names;
}

}  // namespace coldframe::cli
