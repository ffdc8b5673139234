// Transforms as JSON: written by `register`, read by `register`, `integrate` and `run`.
#include <algorithm>
#include <cmath>
#include <map>
#include <nlohmann/json.hpp>

#include "coldframe/core/error.hpp"
#include "coldframe/core/version.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/session/tools.hpp"
#include "json_parts.hpp"
#include "transforms_file.hpp"

namespace coldframe::session {
namespace fs = std::filesystem;

std::string transforms_json(const RegisterOutcome& outcome) {
  nlohmann::ordered_json json = {{"coldframe", version()},
                                 {"schema", 1},
                                 {"reference", outcome.reference},
                                 {"width", outcome.canvas.width},
                                 {"height", outcome.canvas.height}};
  json["distortion"] = distortion_json(outcome.distortion);
  json["files"] = nlohmann::ordered_json::array();
  for (const auto& row : outcome.files) {
    const bool matched = row.fault.empty();
    json["files"].push_back(
        {{"file", row.file},
         {"matched", matched},
         {"why_not", matched ? nlohmann::ordered_json(nullptr) : nlohmann::ordered_json(row.fault)},
         {"matched_stars", row.match.pairs.size()},
         {"registered_through", row.through.empty() ? nlohmann::ordered_json(nullptr)
                                                    : nlohmann::ordered_json(row.through)},
         {"residual_px",
          matched ? nlohmann::ordered_json(row.match.rms_px) : nlohmann::ordered_json(nullptr)},
         {"residual_vectors", residuals_json(row.residuals)},
         {"transform",
          matched ? transform_json(row.match.transform) : nlohmann::ordered_json(nullptr)}});
  }
  return json_text(json);
}

void write_transforms(const RegisterOutcome& outcome, const fs::path& out) {
  if (out.has_parent_path()) fits::make_folder(out.parent_path());
  fits::write_file_atomically(out, transforms_json(outcome));
}

namespace {

using nlohmann::ordered_json;

[[noreturn]] void refuse(const fs::path& path, const std::string& what) {
  throw Error(ErrorKind::usage, path.string(), what,
              "give a file that 'coldframe register' has written");
}

std::vector<double> numbers_of(const ordered_json& list, std::size_t count, const fs::path& path) {
  if (!list.is_array() || list.size() != count) refuse(path, "holds a transform of wrong shape");
  std::vector<double> values;
  for (const auto& entry : list) {
    if (!entry.is_number() || !std::isfinite(entry.get<double>())) {
      refuse(path, "holds a transform that is no numbers");
    }
    values.push_back(entry.get<double>());
  }
  return values;
}

TransformModel model_of(const std::string& name, const fs::path& path) {
  for (const auto model : {TransformModel::similarity, TransformModel::affine,
                           TransformModel::homography, TransformModel::polynomial}) {
    if (to_string(model) == name) return model;
  }
  refuse(path, "names the unknown transform model '" + name + "'");
}

Polynomial2 polynomial_of(const ordered_json& json, const fs::path& path) {
  Polynomial2 p;
  p.order = json.at("order").get<int>();
  constexpr int highest = 9;
  if (p.order < 1 || p.order > highest) refuse(path, "holds a polynomial of order beyond 1 to 9");
  const auto centre = numbers_of(json.at("centre"), 2, path);
  p.centre = {centre[0], centre[1]};
  p.scale = json.at("scale").get<double>();
  if (!(p.scale > 0.0)) refuse(path, "holds a polynomial without a scale");
  p.x = numbers_of(json.at("x"), Polynomial2::terms(p.order), path);
  p.y = numbers_of(json.at("y"), Polynomial2::terms(p.order), path);
  return p;
}

Transform transform_of(const ordered_json& json, const fs::path& path) {
  Transform t;
  t.model = model_of(json.at("model").get<std::string>(), path);
  if (json.at("direction") != "sub->reference") refuse(path, "holds transforms of other direction");
  const auto& rows = json.at("matrix");
  if (!rows.is_array() || rows.size() != 3) refuse(path, "holds a transform of wrong shape");
  for (std::size_t i = 0; i < 3; ++i) {
    const auto row = numbers_of(rows[i], 3, path);
    std::copy(row.begin(), row.end(), t.matrix.begin() + static_cast<std::ptrdiff_t>(3 * i));
  }
  if (json.contains("polynomial") && !json["polynomial"].is_null()) {
    t.polynomial = polynomial_of(json["polynomial"], path);
  }
  if ((t.model == TransformModel::polynomial) != t.polynomial.has_value()) {
    refuse(path, "holds a transform whose model and terms disagree");
  }
  if (!t.inverse() && !t.polynomial) refuse(path, "holds a transform without inverse");
  return t;
}

int side_of(const ordered_json& json, const fs::path& path) {
  constexpr std::int64_t most = 1 << 20;
  if (!json.is_number_integer() || json.get<std::int64_t>() < 1 ||
      json.get<std::int64_t>() > most) {
    refuse(path, "has no size of the reference");
  }
  return json.get<int>();
}

RegisteredFile row_of(const ordered_json& json, const fs::path& path) {
  RegisteredFile row;
  row.file = json.at("file").get<std::string>();
  if (!json.at("matched").get<bool>()) {
    row.fault = json.contains("why_not") && json["why_not"].is_string()
                    ? json["why_not"].get<std::string>()
                    : "no match";
    return row;
  }
  row.match.status = align::MatchStatus::matched;
  row.match.transform = transform_of(json.at("transform"), path);
  row.match.false_probability = 0.0;
  if (json.contains("residual_px") && json["residual_px"].is_number()) {
    row.match.rms_px = json["residual_px"].get<double>();
  }
  return row;
}

}  // namespace

RegisterOutcome read_transforms(const fs::path& path) {
  RegisterOutcome outcome;
  try {
    const auto json = ordered_json::parse(fits::read_text(path));
    outcome.reference = json.at("reference").get<std::string>();
    outcome.canvas = {side_of(json.at("width"), path), side_of(json.at("height"), path)};
    for (const auto& row : json.at("files")) outcome.files.push_back(row_of(row, path));
  } catch (const ordered_json::exception&) {
    refuse(path, "holds no transforms that can be read");
  }
  if (outcome.files.empty()) refuse(path, "holds no transforms");
  return outcome;
}

namespace {

using Parts = std::vector<std::string>;

// From the end: name, folder, folder above.
Parts parts_of(const fs::path& path) {
  Parts parts;
  for (const auto& part : path.lexically_normal()) {
    if (part != "." && part != ".." && part != "/") parts.push_back(part.generic_string());
  }
  std::reverse(parts.begin(), parts.end());
  return parts;
}

// The same path as a whole counts for more than the end of a longer one.
std::size_t shared(const Parts& a, const Parts& b) {
  const auto end = std::mismatch(a.begin(), a.end(), b.begin(), b.end()).first;
  return static_cast<std::size_t>(end - a.begin()) + (a == b ? 1 : 0);
}

constexpr std::size_t nobody = static_cast<std::size_t>(-1);

// The one of `others` that shares most with `own`; `nobody` when several do, or none.
std::size_t closest(const Parts& own, const std::vector<Parts>& others,
                    const std::vector<std::size_t>& namesakes) {
  std::size_t best = nobody, most = 0;
  for (const auto k : namesakes) {
    const auto count = shared(own, others[k]);
    if (count == most) best = nobody;
    if (count > most) {
      most = count;
      best = k;
    }
  }
  return best;
}

using ByName = std::map<std::string, std::vector<std::size_t>>;

ByName by_name(const std::vector<Parts>& all) {
  ByName names;
  for (std::size_t i = 0; i < all.size(); ++i) {
    if (!all[i].empty()) names[all[i].front()].push_back(i);
  }
  return names;
}

}  // namespace

std::vector<const RegisteredFile*> rows_of_files(const RegisterOutcome& transforms,
                                                 std::span<const fs::path> files) {
  std::vector<Parts> wanted, known;
  for (const auto& file : files) wanted.push_back(parts_of(file));
  for (const auto& row : transforms.files) known.push_back(parts_of(row.file));
  const ByName files_named = by_name(wanted), rows_named = by_name(known);
  std::vector<const RegisteredFile*> found(files.size(), nullptr);
  for (const auto& [name, indices] : files_named) {
    const auto rows = rows_named.find(name);
    if (rows == rows_named.end()) continue;
    for (const auto i : indices) {
      const auto row = closest(wanted[i], known, rows->second);
      if (row == nobody || closest(known[row], wanted, indices) != i) continue;
      found[i] = &transforms.files[row];
    }
  }
  return found;
}

}  // namespace coldframe::session
