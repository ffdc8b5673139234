#include "kept_grid.hpp"

#include <algorithm>
#include <nlohmann/json.hpp>
#include <set>

#include "coldframe/core/error.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "json_parts.hpp"

namespace coldframe::session {
namespace {

std::filesystem::path file_in(const std::filesystem::path& out) {
  return out / "measure" / "grid.json";
}

KeptGrid parse(const std::string& text) {
  KeptGrid grid;
  const auto json = nlohmann::json::parse(text);
  grid.kept = json.at("kept").get<bool>();
  grid.subs = json.at("subs").get<std::vector<std::string>>();
  for (const auto& one : json.at("results")) {
    grid.results.push_back(
        {one.at("object").get<std::string>(), one.at("filter").get<std::string>(),
         one.at("reference").get<std::string>(), one.at("scale").get<std::string>()});
  }
  return grid;
}

}  // namespace

std::string sub_identity(const SubState& sub) { return sub.cache_file.filename().string(); }

const KeptGrid::Result* KeptGrid::find(const std::string& object, const std::string& filter) const {
  const auto found = std::find_if(results.begin(), results.end(), [&](const Result& r) {
    return r.object == object && r.filter == filter;
  });
  return found == results.end() ? nullptr : &*found;
}

std::string KeptGrid::reference_of(const std::string& object) const {
  const auto found = std::find_if(results.begin(), results.end(),
                                  [&](const Result& r) { return r.object == object; });
  return found == results.end() ? std::string() : found->reference;
}

KeptGrid grid_to_keep(const std::filesystem::path& out, std::span<const GroupState> groups) {
  std::error_code fault;
  if (!std::filesystem::exists(file_in(out), fault)) return {};
  KeptGrid grid;
  try {
    grid = parse(fits::read_text(file_in(out)));
  } catch (const Error&) {
    return {};
  } catch (const nlohmann::json::exception&) {
    return {};
  }
  const std::set<std::string> known(grid.subs.begin(), grid.subs.end());
  const bool grown = std::any_of(groups.begin(), groups.end(), [&](const GroupState& group) {
    return std::any_of(group.subs.begin(), group.subs.end(),
                       [&](const SubState& sub) { return !known.contains(sub_identity(sub)); });
  });
  if (!grown && !grid.kept) return {};
  grid.kept = true;
  return grid;
}

void write_grid(const std::filesystem::path& out, const KeptGrid& grid) {
  nlohmann::ordered_json json = {{"kept", grid.kept}, {"subs", grid.subs}};
  json["results"] = nlohmann::ordered_json::array();
  for (const auto& r : grid.results) {
    json["results"].push_back({{"object", r.object},
                               {"filter", r.filter},
                               {"reference", r.reference},
                               {"scale", r.scale}});
  }
  fits::write_file_atomically(file_in(out), json_text(json));
}

}  // namespace coldframe::session
