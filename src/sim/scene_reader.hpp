/// \file
/// Strict reading of scene objects: every key known, typed and in range.
#pragma once

#include <array>
#include <nlohmann/json.hpp>
#include <string>
#include <string_view>
#include <vector>

namespace coldframe::sim {

using Json = nlohmann::json;

/// Parses text; throws Error(usage) on bad syntax and on keys given twice.
[[nodiscard]] Json parse_strict(std::string_view text, std::string_view name);

/// Reads one object key by key; `finish` refuses what nobody asked for.
class ObjectReader {
 public:
  /// `where` is the object's own key path, empty for the scene itself.
  ObjectReader(const Json& object, std::string file, std::string where);

  void number(const char* key, double& target, double least, double most);
  void whole(const char* key, int& target, int least, int most);
  void text(const char* key, std::string& target);
  void flag(const char* key, bool& target);
  void rgb(const char* key, std::array<double, 3>& target, double least, double most);
  void pair(const char* key, double& x, double& y, double least, double most);
  void texts(const char* key, std::vector<std::string>& target);
  /// The value of a key, or null.
  [[nodiscard]] const Json* child(const char* key);
  [[nodiscard]] bool has(const char* key) const { return object_->contains(key); }
  void finish() const;

  [[nodiscard]] std::string path_of(std::string_view key) const;
  [[nodiscard]] const std::string& file() const noexcept { return file_; }
  /// Throws Error(usage): "key 'PATH' VALUE: MUST".
  [[noreturn]] void refuse(std::string_view key, const std::string& must) const;

 private:
  const Json* object_;
  std::string file_;
  std::string where_;
  std::vector<std::string> known_;
};

}  // namespace coldframe::sim
