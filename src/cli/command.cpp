#include "command.hpp"

#include <fmt/format.h>
#include <unistd.h>

#include <cmath>
#include <cstdio>
#include <sstream>

#include "coldframe/core/error.hpp"

namespace coldframe::cli {

void add_common(CLI::App& app, Common& common, bool frames) {
  app.fallthrough();
  app.add_flag("--json", common.json, "Print the outcome as JSON");
  app.add_flag("--quiet", common.quiet, "No progress, no summary");
  app.add_option("--threads", common.threads, "Threads that may work; 0 = one per processor")
      ->check(CLI::Range(0, 1024));
  if (!frames) return;
  app.add_option("--memory", common.memory,
                 "Memory the program may use, e.g. 512M, 1.5G, 2GiB (default: a quarter of the "
                 "machine's, at most 4 GiB)");
  app.add_option(
         "--supply", common.supply,
         "Header card that stands in where a file lacks it, as KEYWORD=VALUE, e.g. EGAIN=1.2; "
         "repeat for more")
      ->take_all()
      ->expected(1)
      ->allow_extra_args(false);
}

void add_flat_gradient(CLI::App& app, std::string& choice) {
  app.add_option("--flat-gradient", choice,
                 "What becomes of a plane of brightness in the flats: keep, or remove it when they "
                 "were taken of an unevenly bright sky (not for vignetting beside the middle)")
      ->check(CLI::IsMember({"keep", "remove"}))
      ->capture_default_str();
}

sensor::FlatGradient flat_gradient_of(const std::string& choice) {
  return choice == "remove" ? sensor::FlatGradient::remove : sensor::FlatGradient::keep;
}

void require_fits_name(const std::string& name) {
  if (std::filesystem::path(name).extension() == ".fits") return;
  throw Error(ErrorKind::usage, name, "does not end in .fits",
              "give the result a name ending in .fits");
}

Threads threads_of(const Common& common) { return Threads{common.threads}; }

std::size_t bytes_of(const std::string& text) {
  if (text.empty()) return 0;
  const auto wrong = [&] {
    return Error(ErrorKind::usage, "", "--memory " + text + " is no amount of memory",
                 "write it like 512M, 1.5G, 2GiB or a number of bytes");
  };
  std::size_t used = 0;
  double number = 0.0;
  try {
    number = std::stod(text, &used);
  } catch (const std::exception&) {
    throw wrong();
  }
  std::string unit = text.substr(used);
  double factor = 1.0;
  if (!unit.empty()) {
    const bool binary = unit.size() == 1 || unit.substr(1) == "iB" || unit.substr(1) == "B";
    switch (unit[0]) {
      case 'k':
      case 'K':
        factor = 1024.0;
        break;
      case 'M':
        factor = 1024.0 * 1024.0;
        break;
      case 'G':
        factor = 1024.0 * 1024.0 * 1024.0;
        break;
      default:
        throw wrong();
    }
    if (!binary) throw wrong();
  }
  const double bytes = number * factor;
  if (!std::isfinite(bytes) || bytes < 1.0 || bytes > 1e15) throw wrong();
  return static_cast<std::size_t>(bytes);
}

std::vector<session::SuppliedCard> cards_of(const std::vector<std::string>& supply) {
  std::vector<session::SuppliedCard> cards;
  for (const auto& text : supply) {
    const auto equals = text.find('=');
    if (equals == std::string::npos || equals == 0 || equals + 1 == text.size()) {
      throw Error(ErrorKind::usage, "", "--supply " + text + " is no card",
                  "write it like EGAIN=1.2 or IMAGETYP=dark");
    }
    cards.push_back({text.substr(0, equals), text.substr(equals + 1)});
  }
  return cards;
}

void print(const std::string& text) {
  if (std::fwrite(text.data(), 1, text.size(), stdout) != text.size() || std::fflush(stdout) != 0) {
    throw Error(ErrorKind::io, "", "standard output cannot be written", "check where it goes");
  }
}

std::string wrapped(const std::string& text, std::size_t columns) {
  std::string out;
  std::istringstream lines(text);
  for (std::string line; std::getline(lines, line);) {
    const auto indent = std::min(line.find_first_not_of(' '), line.size());
    std::size_t used = indent;
    out.append(indent, ' ');
    std::istringstream words(line);
    bool first = true;
    for (std::string word; words >> word; first = false) {
      if (!first && used + 1 + word.size() > columns) {
        out += "\n" + std::string(indent + 2, ' ');
        used = indent + 2;
      } else if (!first) {
        out += ' ';
        ++used;
      }
      out += word;
      used += word.size();
    }
    out += '\n';
  }
  return out;
}

void print_summary(const std::string& text) {
  constexpr std::size_t columns = 80;
  print(isatty(STDOUT_FILENO) != 0 ? wrapped(text, columns) : text);
}

void complain(const std::string& line) {
  end_progress();
  fmt::print(stderr, "coldframe: {}\n", line);
}

void complain_left_out(const std::vector<session::LeftOut>& left_out) {
  for (const auto& file : left_out) {
    complain(printable(file.name) + ": left out, " + printable(file.why) +
             (file.mend.empty() ? "" : "; " + printable(file.mend)));
  }
}

}  // namespace coldframe::cli
