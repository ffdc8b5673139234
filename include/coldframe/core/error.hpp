/// \file
/// The one error type of the library. It lives in the lowest layer so that no
/// layer needs another one's header merely to report a fault.
#pragma once

#include <exception>
#include <string>
#include <string_view>

namespace coldframe {

/// What kind of fault it is; decides the exit status of the program.
enum class ErrorKind {
  usage,            ///< the caller's options contradict each other or are out of range (exit 2)
  input,            ///< a named file is missing, unreadable or broken (exit 3)
  not_enough_data,  ///< input is readable but does not suffice for the job (exit 4)
  io,               ///< writing or reading failed: disk full, permission (exit 5)
  interrupted       ///< stopped on request (exit 130)
};

/// Exit status of the program for a kind of fault.
[[nodiscard]] int exit_status(ErrorKind kind) noexcept;

/// A fault with everything its reader needs: where, what and how to mend it.
/// Shown as one line: `PATH: WHAT; MEND` (`PATH: ` and `; MEND` left out when empty).
class Error : public std::exception {
 public:
  Error(ErrorKind kind, std::string path, std::string what, std::string mend);

  [[nodiscard]] ErrorKind kind() const noexcept { return kind_; }
  [[nodiscard]] const std::string& path() const noexcept { return path_; }
  [[nodiscard]] const std::string& fault() const noexcept { return what_; }
  [[nodiscard]] const std::string& mend() const noexcept { return mend_; }
  /// The whole line, without the program's name; control characters are made harmless.
  [[nodiscard]] const char* what() const noexcept override { return line_.c_str(); }

 private:
  ErrorKind kind_;
  std::string path_;
  std::string what_;
  std::string mend_;
  std::string line_;
};

/// Text safe to print on a terminal: control characters (escape sequences, line
/// breaks) become `\xNN`; UTF-8 passes unchanged.
[[nodiscard]] std::string printable(std::string_view text);

}  // namespace coldframe
