#include "sim/scene_reader.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <set>
#include <utility>

#include "coldframe/core/error.hpp"

namespace coldframe::sim {
namespace {

constexpr std::size_t longest_quote = 40;

std::string quoted(const Json& value) {
  std::string text = value.dump(-1, ' ', true, Json::error_handler_t::replace);
  if (text.size() > longest_quote) text = text.substr(0, longest_quote) + "...";
  return text;
}

}  // namespace

Json parse_strict(std::string_view text, std::string_view name) {
  std::vector<std::set<std::string>> open;
  std::string twice;
  const auto watch = [&](int /*depth*/, Json::parse_event_t event, Json& value) {
    if (event == Json::parse_event_t::object_start) open.emplace_back();
    if (event == Json::parse_event_t::object_end) open.pop_back();
    if (event == Json::parse_event_t::key && !open.back().insert(value.get<std::string>()).second &&
        twice.empty()) {
      twice = value.get<std::string>();
    }
    return true;
  };
  Json root;
  try {
    root = Json::parse(text.begin(), text.end(), watch);
  } catch (const Json::exception& fault) {
    std::string detail =
        fault.what();  // "[json.exception...] parse error at line 3, column 5: ..."
    const auto bracket = detail.find("] ");
    if (bracket != std::string::npos) detail = detail.substr(bracket + 2);
    throw Error(ErrorKind::usage, std::string(name), "is not valid JSON: " + detail,
                "mend the scene's syntax");
  }
  if (!twice.empty()) {
    throw Error(ErrorKind::usage, std::string(name),
                "key '" + twice + "' stands twice in one object", "keep one of them");
  }
  return root;
}

ObjectReader::ObjectReader(const Json& object, std::string file, std::string where)
    : object_(&object), file_(std::move(file)), where_(std::move(where)) {
  if (!object.is_object()) {
    throw Error(ErrorKind::usage, file_,
                where_.empty()
                    ? std::string("is no JSON object")
                    : fmt::format("key '{}' is {}: must be an object", where_, quoted(object)),
                "write { ... } there");
  }
}

std::string ObjectReader::path_of(std::string_view key) const {
  return where_.empty() ? std::string(key) : fmt::format("{}.{}", where_, key);
}

void ObjectReader::refuse(std::string_view key, const std::string& must) const {
  const auto found = object_->find(std::string(key));
  const std::string value = found == object_->end() ? "missing" : "is " + quoted(*found);
  throw Error(ErrorKind::usage, file_,
              fmt::format("key '{}' {}: must be {}", path_of(key), value, must),
              "correct the scene");
}

const Json* ObjectReader::child(const char* key) {
  known_.emplace_back(key);
  const auto found = object_->find(key);
  return found == object_->end() ? nullptr : &*found;
}

void ObjectReader::number(const char* key, double& target, double least, double most) {
  const Json* value = child(key);
  if (value == nullptr) return;
  const std::string must = fmt::format("a number from {:g} to {:g}", least, most);
  if (!value->is_number()) refuse(key, must);
  const auto number = value->get<double>();
  if (!(number >= least && number <= most)) refuse(key, must);
  target = number;
}

void ObjectReader::whole(const char* key, int& target, int least, int most) {
  double number = target;
  const Json* value = child(key);
  if (value == nullptr) return;
  const std::string must = fmt::format("a whole number from {} to {}", least, most);
  if (value->is_number()) number = value->get<double>();
  if (!value->is_number() || !(number >= least && number <= most) || number != std::floor(number)) {
    refuse(key, must);
  }
  target = static_cast<int>(number);
}

void ObjectReader::text(const char* key, std::string& target) {
  const Json* value = child(key);
  if (value == nullptr) return;
  if (!value->is_string()) refuse(key, "text");
  target = value->get<std::string>();
  // FITS cards hold printable ASCII only.
  const bool clean =
      std::all_of(target.begin(), target.end(), [](char c) { return c >= ' ' && c <= '~'; });
  if (!clean || target.size() > 60) refuse(key, "at most 60 printable ASCII characters");
}

void ObjectReader::flag(const char* key, bool& target) {
  const Json* value = child(key);
  if (value == nullptr) return;
  if (!value->is_boolean()) refuse(key, "true or false");
  target = value->get<bool>();
}

void ObjectReader::rgb(const char* key, std::array<double, 3>& target, double least, double most) {
  const Json* value = child(key);
  if (value == nullptr) return;
  const std::string must = fmt::format("three numbers [R, G, B] from {:g} to {:g}", least, most);
  if (!value->is_array() || value->size() != 3) refuse(key, must);
  for (std::size_t i = 0; i < 3; ++i) {
    const Json& part = (*value)[i];
    if (!part.is_number() || part.get<double>() < least || part.get<double>() > most)
      refuse(key, must);
    target[i] = part.get<double>();
  }
}

void ObjectReader::pair(const char* key, double& x, double& y, double least, double most) {
  const Json* value = child(key);
  if (value == nullptr) return;
  const std::string must = fmt::format("two numbers [x, y] from {:g} to {:g}", least, most);
  if (!value->is_array() || value->size() != 2) refuse(key, must);
  for (const Json& part : *value) {
    if (!part.is_number() || part.get<double>() < least || part.get<double>() > most)
      refuse(key, must);
  }
  x = (*value)[0].get<double>();
  y = (*value)[1].get<double>();
}

void ObjectReader::texts(const char* key, std::vector<std::string>& target) {
  const Json* value = child(key);
  if (value == nullptr) return;
  if (!value->is_array()) refuse(key, "a list of texts");
  target.clear();
  for (const Json& part : *value) {
    if (!part.is_string() || part.get<std::string>().size() > 60) refuse(key, "a list of texts");
    target.push_back(part.get<std::string>());
  }
}

void ObjectReader::finish() const {
  for (const auto& [key, value] : object_->items()) {
    if (std::find(known_.begin(), known_.end(), key) == known_.end()) {
      std::string known;
      for (const std::string& name : known_) known += (known.empty() ? "" : ", ") + name;
      throw Error(ErrorKind::usage, file_, fmt::format("unknown key '{}'", path_of(key)),
                  fmt::format("known here: {}", known));
    }
  }
}

}  // namespace coldframe::sim
