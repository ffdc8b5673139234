#include <fmt/format.h>

#include <bit>
#include <cstring>

#include "coldframe/fits/image_file.hpp"
#include "fits/bytes.hpp"
#include "fits/digest.hpp"

namespace coldframe::fits {

using namespace detail;  // NOLINT(google-build-using-namespace): the module's own inner parts

namespace detail {

void Digest::add(std::span<const std::byte> bytes) noexcept {
  length_ += bytes.size();
  std::array<std::uint64_t, 4> lanes = lanes_;
  std::array<std::uint64_t, 4> words{};
  constexpr std::size_t group = sizeof(words);
  std::size_t i = 0;
  for (; i + group <= bytes.size(); i += group) {
    std::memcpy(words.data(), bytes.data() + i, group);
    for (std::size_t k = 0; k < 4; ++k) lanes[k] = mixed(lanes[k], words[k]);
  }
  if (i < bytes.size()) {
    words.fill(0);
    std::memcpy(words.data(), bytes.data() + i, bytes.size() - i);
    for (std::size_t k = 0; k < 4; ++k) lanes[k] = mixed(lanes[k], words[k]);
  }
  lanes_ = lanes;
}

std::uint64_t Digest::mixed(std::uint64_t lane, std::uint64_t word) noexcept {
  constexpr int turn = 29;
  return std::rotl((lane ^ word) * prime, turn);
}

std::uint64_t Digest::value() const noexcept {
  std::uint64_t h = mixed(start, length_);
  for (const std::uint64_t lane : lanes_) h = mixed(h, lane);
  h = (h ^ (h >> 32U)) * prime;
  return h ^ (h >> 29U);
}

}  // namespace detail

std::string stat_key(const std::filesystem::path& path) {
  const FileStamp stamp = stamp_of(open_regular_file(path), path);
  return fmt::format("{}-{}", stamp.size, stamp.modified_ns);
}

std::string content_key(const std::filesystem::path& path) {
  const Descriptor file = open_regular_file(path);
  const FileStamp stamp = stamp_of(file, path);
  constexpr std::size_t step = std::size_t{1} << 18U;
  std::vector<std::byte> buffer(step);
  Digest digest;
  for (std::uint64_t at = 0; at < stamp.size;) {
    const std::size_t got = read_some(file, path, at, buffer);
    if (got == 0) break;
    digest.add(std::span(buffer).first(got));
    at += got;
  }
  return fmt::format("{}-{}-{:016x}", stamp.size, stamp.modified_ns, digest.value());
}

}  // namespace coldframe::fits
