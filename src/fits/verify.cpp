#include <charconv>

#include "coldframe/fits/file_writer.hpp"
#include "fits/cards.hpp"
#include "fits/checksum.hpp"
#include "fits/scan.hpp"

namespace coldframe::fits {

using namespace detail;  // NOLINT(google-build-using-namespace): the module's own inner parts

namespace {

void add_range(OnesSum& sum, const ByteSource& bytes, std::uint64_t offset, std::uint64_t length) {
  constexpr std::uint64_t step = std::uint64_t{1} << 18U;
  std::vector<std::byte> buffer(std::min(step, length));
  for (std::uint64_t at = 0; at < length; at += step) {
    const auto part = std::span(buffer).first(std::min(step, length - at));
    bytes.read(offset + at, part);
    sum.add(part);
  }
}

ChecksumReport::Verdict data_verdict(const Header& cards, std::uint32_t sum) {
  const auto text = cards.text("DATASUM");
  if (!text) return ChecksumReport::Verdict::absent;
  std::uint32_t stated = 0;
  const auto [end, fault] = std::from_chars(text->data(), text->data() + text->size(), stated);
  const bool same = fault == std::errc{} && end == text->data() + text->size() && stated == sum;
  return same ? ChecksumReport::Verdict::correct : ChecksumReport::Verdict::wrong;
}

}  // namespace

std::vector<ChecksumReport> verify_checksums(const std::filesystem::path& path) {
  const auto bytes = open_bytes(path);
  UnitScanner scanner(path, *bytes);
  std::vector<ChecksumReport> reports;
  while (const auto unit = scanner.next()) {
    const std::uint64_t end = unit->data_offset + unit->padded_bytes;
    require_data(*unit, *bytes, path);
    const bool padded = bytes->reaches(end);
    ChecksumReport report{.hdu = unit->summary.number, .name = unit->summary.name};
    OnesSum sum;
    if (padded) add_range(sum, *bytes, unit->data_offset, unit->padded_bytes);
    report.data = data_verdict(unit->cards, sum.value());
    add_range(sum, *bytes, unit->header_offset, unit->data_offset - unit->header_offset);
    if (unit->cards.text("CHECKSUM")) {
      // All ones is minus zero; a plain zero cannot come from a header that holds text.
      report.whole = padded && sum.value() == 0xFFFFFFFFU ? ChecksumReport::Verdict::correct
                                                          : ChecksumReport::Verdict::wrong;
    }
    if (!padded && report.data == ChecksumReport::Verdict::correct) {
      report.data = ChecksumReport::Verdict::wrong;
    }
    reports.push_back(std::move(report));
  }
  return reports;
}

}  // namespace coldframe::fits
